"""The simulated bench behind the real libraries: PyVISA, pyserial, sockets and a pty.

    link = connect(bench)
    pyvisa.ResourceManager(link.visa_library).open_resource("SIM0::supply::INSTR")
    serial.serial_for_url(link.meter_url, baudrate=38400)
    link.operator.read_display(); link.clock.sleep(1)
    link.close()
"""

from dataclasses import dataclass
from types import TracebackType

from hil.ports import Clock, Operator
from hil.sim.bench import SimulatedBench


@dataclass(frozen=True, slots=True, kw_only=True)
class SimLink:
    """How to reach one simulated bench through the real libraries; valid until `close`."""

    bench: SimulatedBench
    visa_library: str  # for pyvisa.ResourceManager
    meter_url: str  # for serial.serial_for_url
    clock: Clock
    operator: Operator

    def close(self) -> None:
        """Forget the bench: its addresses answer no more."""

    def __enter__(self) -> "SimLink":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def connect(bench: SimulatedBench) -> SimLink:
    """Put a simulated bench behind PyVISA and pyserial, in process, in simulated time."""
    raise NotImplementedError
