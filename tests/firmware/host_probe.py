"""What the tests of the compiled firmware parts share."""

import ctypes


def take_output(probe):
    """Bytes that the probe has sent since the last call."""
    out = b""
    buffer = ctypes.create_string_buffer(4096)
    while n := probe.take_output(buffer, 4096):
        out += buffer.raw[:n]
    return out
