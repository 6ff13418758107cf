"""Asks a server the same question over and over through PyVISA, and prints how many seconds it took.

Arguments: resource name, count.
"""

import sys
import time

import pyvisa

name, count = sys.argv[1], int(sys.argv[2])
instrument = pyvisa.ResourceManager("@py").open_resource(
    name, read_termination="\n", write_termination="\n"
)
instrument.timeout = 5000
instrument.query(":MEAS:VOLT?")
began = time.perf_counter()
for _ in range(count):
    instrument.query(":MEAS:VOLT?")
print(time.perf_counter() - began)
