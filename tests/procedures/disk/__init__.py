"""A disk that fails, a run on it, and what a power cut leaves of that."""
