"""A Modbus RTU server of PyModbus on a serial port: 16 coils, all off. Argument: the port."""

import sys

from pymodbus import FramerType
from pymodbus.datastore import (
    ModbusDeviceContext,
    ModbusSequentialDataBlock,
    ModbusServerContext,
)
from pymodbus.server import StartSerialServer

coils = ModbusSequentialDataBlock(1, [False] * 16)
device = ModbusDeviceContext(co=coils)
print("ready", flush=True)
StartSerialServer(
    context=ModbusServerContext(devices=device, single=True),
    framer=FramerType.RTU,
    port=sys.argv[1],
    baudrate=9600,
)
