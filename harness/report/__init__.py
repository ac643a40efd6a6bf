"""What is handed over: one content, drawn as a page that needs nothing else."""

from harness.report.wording import in_words
from harness.report.write import write_comparison, write_report

__all__ = ["in_words", "write_comparison", "write_report"]
