"""The program with a watcher beside it: started by :mod:`tests.bench.limits`."""

import sys
from pathlib import Path

from tests.bench.limits import watch

if __name__ == "__main__":
    begun, seconds, into, *words = sys.argv[1:]
    sys.argv = ["partitioner", *words]
    watch(float(begun), float(seconds), Path(into))
