"""The program's first steps, as ``partitioner`` and as ``python -m partitioner``.

Before anything else is imported the current folder leaves the import path, and Ctrl-C gets a
meaning: the imports take their time.
"""

# Not even ``__future__`` may be imported before the path is settled; these are part of Python.
import gc
import sys

from partitioner.import_path import leave_current_folder

GARBAGE_AFTER = (20_000, 20, 20)
"""Objects made before Python looks for unused ones that point at each other, and how often it looks
at older ones. There are hardly any; looking as often as usual takes a tenth of all time."""


def main() -> None:
    """Run as a program."""
    gc.set_threshold(*GARBAGE_AFTER)
    try:
        leave_current_folder()
        from partitioner.cli.signals import end_at_once, ignore

        end_at_once()
    except KeyboardInterrupt:
        sys.exit("error: stopped by you before there was anything to keep")
    from partitioner.cli.main import run

    code = run()
    # All is written and told; a signal now would only spoil the exit code.
    ignore()
    sys.exit(code)


if __name__ == "__main__":
    main()
