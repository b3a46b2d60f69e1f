"""What a person reads on the display, from the bytes that reach it over SPI (fixtures/firmware/bench_port.md)."""

COLUMNS, LINES = 16, 2
_CLEAR, _POSITION = 0x01, 0x80


class DisplayWire:
    """Two lines of characters; bytes come with the levels of the display's other pins."""

    def __init__(self) -> None:
        self._clear()

    def _clear(self) -> None:
        self._lines = [[" "] * COLUMNS for _ in range(LINES)]
        self._line = self._column = 0

    def byte(self, byte: int, *, is_selected: bool = True, is_text: bool, is_reset: bool = False) -> None:
        """Take one byte: a command, or one ASCII character when `is_text`; ignored unless selected and out of reset."""
        if is_reset or not is_selected:
            return
        if is_text:
            if self._column < COLUMNS:
                self._lines[self._line][self._column] = chr(byte) if 0x20 <= byte < 0x7F else "?"
            self._column += 1
        elif byte == _CLEAR:
            self._clear()
        elif byte & _POSITION:
            self._line, self._column = divmod(byte & ~_POSITION, COLUMNS)
            self._line %= LINES

    def lines(self) -> tuple[str, str]:
        """Both lines without the blanks at their ends."""
        first, second = ("".join(line).rstrip() for line in self._lines)
        return first, second
