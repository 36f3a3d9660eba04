"""Run commands one after the other in one process; print code, seconds and peak memory of each.

``python -m tests.reading.each_file FILE``: the file has one list of words a line, as JSON.
"""

from __future__ import annotations

import contextlib
import io
import json
import resource
import sys
import time
from pathlib import Path

from partitioner.cli.main import run


def peak_mb() -> float:
    """Largest memory of this process so far."""
    status = Path("/proc/self/status")
    if status.exists():  # elsewhere the parent's size counts too
        (line,) = [x for x in status.read_text().splitlines() if x.startswith("VmHWM")]
        return int(line.split()[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    for line in Path(sys.argv[1]).read_text(encoding="utf-8").splitlines():
        words = json.loads(line)
        said = io.StringIO()
        start = time.process_time()
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            code = run(words)
        print(
            json.dumps(
                {
                    "code": code,
                    "seconds": time.process_time() - start,
                    "memory_mb": peak_mb(),
                    "said": said.getvalue()[:2_000],
                    "characters": len(said.getvalue()),
                }
            ),
            flush=True,
        )


if __name__ == "__main__":
    main()
