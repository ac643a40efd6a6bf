"""One file per command, each thin: parse, call one function, show what came back."""

import os

# Read by the library of linear algebra as NumPy loads. Our matrices are small: more threads take
# twice the processor time waiting for each other, and time that recordings side by side need.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
