"""The far end of an rfc2217:// line: pyserial's own server side over a loop-back port."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Iterator

import serial
from serial.rfc2217 import PortManager

from .scripted import Device


class _Connection:
    """What the server side writes telnet negotiation to."""

    def __init__(self, peer: socket.socket) -> None:
        self._peer = peer

    def write(self, data: bytes) -> None:
        self._peer.sendall(data)


@contextlib.contextmanager
def on_rfc2217(device: Device) -> Iterator[str]:
    """A device behind RFC 2217; gives the pyserial URL."""
    listener = socket.create_server(("127.0.0.1", 0))
    thread = threading.Thread(target=_serve, args=(listener, device), daemon=True)
    thread.start()
    try:
        yield f"rfc2217://127.0.0.1:{listener.getsockname()[1]}"
    finally:
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        thread.join()


def _serve(listener: socket.socket, device: Device) -> None:
    with contextlib.suppress(OSError), serial.serial_for_url("loop://", timeout=0) as line:
        peer, _ = listener.accept()
        with peer:
            manager = PortManager(line, _Connection(peer))
            while data := peer.recv(4096):
                came = b"".join(manager.filter(data))
                if came:
                    peer.sendall(b"".join(manager.escape(device.feed(came))))
