import struct
from pathlib import Path

from tastefield.testing import ReaderContract, ReaderSample

HEAD = struct.pack("<4sBH", b"PUCK", 1, 2)
SHOTS = HEAD + struct.pack("<8sHHB", b"A", 180, 361, 27) + struct.pack("<8sHHB", b"B", 175, 400, 31)


class TestPuck(ReaderContract):
    plugin = Path(__file__).with_name("read_puck.py")
    sample = ReaderSample({"march.puck": SHOTS}, rows=2, headings=("machine", "dose (g)", "out (g)", "time (s)"))
