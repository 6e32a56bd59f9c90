"""An independent client on the server of benches/drivers.rs: prints microseconds a query and MiB/s of a block.

Arguments: port, queries, bytes of the block. Run by the benchmark itself when target/external-venv exists.
"""

import sys
import time

import numpy
import pyvisa

port, queries, block_bytes = (int(text) for text in sys.argv[1:4])
manager = pyvisa.ResourceManager("@py")


def open_with(chunk):
    link = manager.open_resource(f"TCPIP::127.0.0.1::{port}::SOCKET")
    link.read_termination = link.write_termination = "\n"
    link.timeout = 60_000
    link.chunk_size = chunk
    return link


link = open_with(20_480)
for _ in range(200):
    link.query("TOKEN?")
batches = []
for _ in range(9):
    start = time.perf_counter()
    for _ in range(queries // 9):
        link.query("TOKEN?")
    batches.append((time.perf_counter() - start) / (queries // 9))
print(f"query_us {min(batches) * 1e6:.2f}")
link.close()


def fetch(link):
    values = link.query_binary_values("DATA?", datatype="B", container=numpy.array)
    assert len(values) == block_bytes


def fetch_exactly(link):
    """Reads the announced count without looking for an end of line."""
    link.write("DATA?")
    header = link.read_bytes(2)
    length = int(link.read_bytes(int(header[1:2])))
    link.read_termination = None
    data = link.read_bytes(length, chunk_size=65_536)
    link.read_bytes(1)
    link.read_termination = "\n"
    assert len(data) == block_bytes


for name, chunk, way in [("values", 20_480, fetch), ("exact", 65_536, fetch_exactly)]:
    link = open_with(chunk)
    rates = []
    for _ in range(3):
        start = time.perf_counter()
        way(link)
        rates.append(block_bytes / 2**20 / (time.perf_counter() - start))
    print(f"{name}_mib_per_s {max(rates):.0f}")
    link.close()
