"""Plan an Ethernet layout of shared lines and links from a list of devices.

What :mod:`partitioner.interface.public` names is there as ``partitioner.NAME`` and loaded when it
is first used.
"""

__version__ = "0.1.0"

# The name alone means to a type checker what that of ``typing`` does. Nothing may be imported here:
# the program has not left the current folder yet (see ``__main__``).
TYPE_CHECKING = False
if TYPE_CHECKING:
    from partitioner.interface.public import *  # noqa: F403 - names each, as themselves
else:

    def __getattr__(name):
        """Give a public name."""
        if name.startswith("_") and name != "__all__":
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        from partitioner.interface import public

        if name == "__all__":
            return sorted(n for n in vars(public) if not n.startswith("_"))
        value = vars(public).get(name)
        if value is None:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        globals()[name] = value
        return value

    def __dir__():
        return [*__getattr__("__all__"), "__version__"]
