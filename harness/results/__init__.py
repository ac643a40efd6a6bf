"""Results files: one run, one HDF5 file, for good."""

from harness.results.layout import SCHEMA
from harness.results.read import fingerprint_of, read_run
from harness.results.run import Run
from harness.results.write import write_run

__all__ = ["SCHEMA", "Run", "fingerprint_of", "read_run", "write_run"]
