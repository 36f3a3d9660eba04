"""Plan an Ethernet layout of shared lines and links from a list of devices."""

__version__ = "0.1.0"
