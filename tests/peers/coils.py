"""A Modbus RTU server of PyModbus on a serial port: 16 coils, all off. Argument: the port."""

import sys

from pymodbus import FramerType
from pymodbus.server import StartSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

coils = SimData(0, count=1, values=[False] * 16, datatype=DataType.BITS)
inputs = SimData(0, count=1, values=[False] * 16, datatype=DataType.BITS)
registers = [SimData(0, values=0, datatype=DataType.REGISTERS)]
print("ready", flush=True)
StartSerialServer(
    context=SimDevice(1, simdata=([coils], [inputs], registers, registers)),
    framer=FramerType.RTU,
    port=sys.argv[1],
    baudrate=9600,
)
