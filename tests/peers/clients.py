"""Drives simulated instruments through PyVISA with its own sockets and serial ports.

Arguments: ports of supply and meter on 127.0.0.1, then the paths of the serial ports of a supply of
header words, a supply of fixed digits and a supply without endings.
"""

import sys
import time

import pyvisa

supply_port, meter_port, suffix, digits, plain = sys.argv[1:]
manager = pyvisa.ResourceManager("@py")


def opened(name, **settings):
    instrument = manager.open_resource(name, **settings)
    instrument.timeout = 5000
    return instrument


lines = {"read_termination": "\n", "write_termination": "\n"}

supply = opened(f"TCPIP::127.0.0.1::{supply_port}::SOCKET", **lines)
assert len(supply.query("*IDN?").split(",")) == 4
supply.write("*CLS")
supply.write(":VOLT 1.25")
assert abs(float(supply.query(":VOLT?")) - 1.25) < 1e-9
supply.write(":BOGUS:WORD 1")
assert supply.query(":SYST:ERR?").startswith("-113,")
assert supply.query(":SYST:ERR?").startswith("0,")
assert supply.query("VOLTage:LEVel?;:OUTPut:STATe?").split(";")[1] == "0"

meter = opened(f"TCPIP::127.0.0.1::{meter_port}::SOCKET", **lines)
meter.write(":CONF:VOLT:DC 1")
meter.write(":SAMP:COUN 3")
readings = meter.query_ascii_values(":READ?")
assert len(readings) == 3 and all(abs(volts) < 1e-3 for volts in readings), readings

serial = {"baud_rate": 9600, "write_termination": "\n", "read_termination": "\r\n"}
words = opened(f"ASRL{suffix}::INSTR", **serial)
assert words.query("*IDN?").startswith("KESTREL")
words.write("V1 2.5")
assert words.query("V1?") == "V1 2.500"

fixed = opened(
    f"ASRL{digits}::INSTR", baud_rate=9600, write_termination="\r", read_termination="\r"
)
assert fixed.query("VOLT015") == "OK"
time.sleep(0.2)  # it takes no command right after an answer
assert fixed.query("GETS")[:3] == "015"
assert fixed.read() == "OK"

bare = opened(f"ASRL{plain}::INSTR", baud_rate=9600, write_termination="", read_termination=None)
bare.write("VSET1:03.21")
time.sleep(0.3)
bare.write("VSET1?")
assert bare.read_bytes(5) == b"03.21"
time.sleep(0.3)
bare.write("STATUS?")
assert bare.read_bytes(1)[0] & 0x40 == 0
print("all as expected")
