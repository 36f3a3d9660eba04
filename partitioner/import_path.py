"""Where Python may import from: not from the folder somebody happens to stand in.

Python puts that folder before its own library when a module is run by name (``python -m``), and
wherever ``PYTHONPATH`` has an empty or a relative entry. A file ``queue.py`` that lies there would
then be run as part of this program.
"""

# Nothing is imported here that Python has not loaded long before, not even ``__future__``: until
# the path is settled every import may come from the wrong place.
import os
import sys


def settled_path() -> list[str]:
    """Give ``sys.path`` without what depends on the current folder.

    The entries keep their order. Gone are relative and empty ones, and those before the standard
    library that are the current folder, or that ``PYTHONPATH`` names relative to it, unless
    ``PYTHONPATH`` names the same folder in full too. Entries behind the standard library were put
    there by an installation and stay.
    """
    named = []
    if not sys.flags.ignore_environment:
        named = os.environ.get("PYTHONPATH", "").split(os.pathsep)
    meant = {_normal(entry) for entry in named if os.path.isabs(entry)}
    try:
        relative = [entry for entry in named if not os.path.isabs(entry)]
        dropped = {_normal(entry) for entry in ("", *relative)} - meant
    except FileNotFoundError:
        # The current folder has been removed: nothing can come from it.
        dropped = set()
    library = _normal(os.path.dirname(os.__file__))
    kept: list[str] = []
    is_behind_library = False
    for entry in sys.path:
        if not isinstance(entry, str) or not os.path.isabs(entry):
            continue
        is_behind_library = is_behind_library or _normal(entry) == library
        if is_behind_library or _normal(entry) not in dropped:
            kept.append(entry)
    return kept


def leave_current_folder() -> None:
    """Import nothing from the current folder from here on."""
    sys.path[:] = settled_path()


def _normal(folder: str) -> str:
    return os.path.normcase(os.path.abspath(folder))
