"""The tests; their folders mirror those of ``harness/``."""
