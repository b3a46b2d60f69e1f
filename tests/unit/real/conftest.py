"""A SCPI instrument behind a TCP socket, scripted, for the drivers on pyvisa-py."""

import socket
import threading
from collections.abc import Callable, Iterator

import pytest

Answer = Callable[[str], bytes | None]


class SocketInstrument:
    """Answers each line by a function; None closes the connection."""

    def __init__(self, answer: Answer) -> None:
        self.answer = answer
        self.received: list[str] = []
        self._server = socket.create_server(("127.0.0.1", 0))
        self.address = f"TCPIP::127.0.0.1::{self._server.getsockname()[1]}::SOCKET"
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        while True:
            try:
                connection, _ = self._server.accept()
            except OSError:
                return
            with connection, connection.makefile("rb") as lines:
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                for line in lines:
                    text = line.decode().rstrip("\n")
                    self.received.append(text)
                    answer = self.answer(text)
                    if answer is None:
                        break
                    connection.sendall(answer)

    def close(self) -> None:
        self._server.close()


@pytest.fixture
def socket_instrument() -> Iterator[Callable[[Answer], SocketInstrument]]:
    """Makes scripted instruments and closes them."""
    made: list[SocketInstrument] = []

    def make(answer: Answer) -> SocketInstrument:
        made.append(SocketInstrument(answer))
        return made[-1]

    yield make
    for one in made:
        one.close()
