"""benchctl: from a freshly soldered pair of radio-control boards to a motor under control, in numbers."""

__version__ = "0.1.0"
