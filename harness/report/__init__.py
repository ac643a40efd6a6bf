"""What is handed over: one content, drawn as a page that needs nothing else.

``write.py`` draws it; it loads plots and templates, and stands apart from the wording, which the
terminal uses too.
"""

from harness.report.wording import in_words

__all__ = ["in_words"]
