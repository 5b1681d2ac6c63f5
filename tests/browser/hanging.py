"""A way between browser and service that hangs: connections stay open, and nothing goes through them."""

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress


class HangingWay:
    """Forwards TCP connections to a port of this computer, until it is told to hang; what hung then stays lost."""

    def __init__(self, port: int) -> None:
        self._to = port
        self._flows = threading.Event()
        self._flows.set()
        self._ended = False
        self._sockets: list[socket.socket] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def hang(self) -> None:
        """Let nothing through, in connections old and new, and close none."""
        self._flows.clear()

    def flow(self) -> None:
        """Let new connections through; those that hung are never answered."""
        self._flows.set()

    def close(self) -> None:
        """Close everything."""
        self._ended = True
        for one in (self._listener, *self._sockets):
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()

    def _accept(self) -> None:
        with suppress(OSError):
            while not self._ended:
                near, _ = self._listener.accept()
                self._sockets.append(near)
                if not self._flows.is_set():
                    continue
                far = socket.create_connection(("127.0.0.1", self._to))
                self._sockets.append(far)
                for pair in ((near, far), (far, near)):
                    threading.Thread(target=self._carry, args=pair, daemon=True).start()

    def _carry(self, source: socket.socket, sink: socket.socket) -> None:
        with suppress(OSError):
            while data := source.recv(65_536):
                if not self._flows.is_set():
                    return
                sink.sendall(data)
            sink.shutdown(socket.SHUT_WR)


@contextmanager
def hanging_way(port: int) -> Iterator[HangingWay]:
    """Give a way to a port of this computer, and close it."""
    way = HangingWay(port)
    try:
        yield way
    finally:
        way.close()
