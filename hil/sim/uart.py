"""What a UART receives when sender and receiver run at different speeds.

A frame is one start bit (low), eight data bits from the least significant, one stop bit (high). The receiver waits
for a falling edge and samples the middle of each bit by its own clock. Bytes with a broken stop bit are handed on, as
a serial port without parity does.
"""

FRAME_BITS = 10
_HARMLESS = 0.04  # below this the last sample, 9.5 bits after the edge, still falls into the right bit


def resample(data: bytes, sender_baud: float, receiver_baud: float) -> bytes:
    """Bytes as the receiver understands them, both speeds in bits a second; the sender sends without gaps."""
    if sender_baud <= 0 or receiver_baud <= 0:
        return b""
    ratio = sender_baud / receiver_baud  # length of a receiver's bit in sender's bits
    if abs(ratio - 1.0) < _HARMLESS:
        return data
    line: list[int] = []
    for byte in data:
        line += [0, *((byte >> bit) & 1 for bit in range(8)), 1]
    received = bytearray()
    at = 0.0  # in sender's bits
    while (start := _falling_edge(line, at)) is not None:
        bits = [_level(line, start + (index + 1.5) * ratio) for index in range(8)]
        received.append(sum(bit << index for index, bit in enumerate(bits)))
        at = start + 9.5 * ratio
    return bytes(received)


def _level(line: list[int], at: float) -> int:
    return line[int(at)] if at < len(line) else 1


def _falling_edge(line: list[int], at: float) -> float | None:
    index = int(at)
    while index < len(line):
        if line[index] == 0 and (index == 0 or line[index - 1] == 1) and index >= at - 1e-9:
            return float(index)
        index += 1
    return None
