"""The command line: ``simwrap``."""

import os

# Before anything imports numpy. Its matrices are many and small here: threads of a linear algebra library would wait
# for one another in busy loops, at many times the cost. Somebody's own choice stays.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from simwrap.cli.app import main

__all__ = ["main"]
