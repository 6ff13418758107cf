"""Asks a server the same question over and over through PyVISA, and prints how many seconds the
quickest questions in a row took.

Arguments: resource name, how many in a row, how often.
"""

import sys
import time

import pyvisa

name, in_a_row, times = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
instrument = pyvisa.ResourceManager("@py").open_resource(
    name, read_termination="\n", write_termination="\n"
)
instrument.timeout = 5000
instrument.query(":MEAS:VOLT?")


def took():
    began = time.perf_counter()
    for _ in range(in_a_row):
        instrument.query(":MEAS:VOLT?")
    return time.perf_counter() - began


print(min(took() for _ in range(times)))
