"""What the probes saw: readers and writers of exported captures."""

from bustrace.capture.csv_reader import read_csv
from bustrace.capture.csv_writer import write_csv
from bustrace.capture.model import Capture, Note
from bustrace.capture.opening import open_capture
from bustrace.capture.raw_reader import read_raw
from bustrace.capture.vcd_reader import read_vcd
from bustrace.capture.vcd_writer import write_vcd

__all__ = [
    "Capture",
    "Note",
    "open_capture",
    "read_csv",
    "read_raw",
    "read_vcd",
    "write_csv",
    "write_vcd",
]
