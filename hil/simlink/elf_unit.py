"""Units that run an ELF instead of the device model: what `hil check --firmware` and `hil compare` put into the jig."""

from pathlib import Path

from hil.errors import BenchError
from hil.sim.elf import FirmwareImage, read_elf
from hil.sim.elf_processor import ElfProcessor
from hil.sim.processor import Processor, Surroundings
from hil.sim.unit import VirtualUnit
from hil.simlink.avr_process import AvrProcess, build_helper


def read_firmware(path: Path) -> FirmwareImage:
    """Read an ELF file.

    Raises:
        BenchError: no such file, or it is no firmware for this meter; the message says what to do.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise BenchError(f"{path}: the firmware cannot be read ({error.strerror}). Correct --firmware.") from error
    try:
        return read_elf(data)
    except ValueError as problem:
        raise BenchError(f"{path}: {problem}.") from problem


class ElfUnits:
    """A maker of processors for `SimulatedBench`: the unit in the jig gets a process of its own that runs this ELF.

    Raises:
        BenchError: see `read_firmware`; or the simulation cannot be built, with the packages to install.
    """

    def __init__(self, path: Path) -> None:
        self._image, self._helper = read_firmware(path), build_helper()
        self._process: AvrProcess | None = None
        self._processor: ElfProcessor | None = None

    def __call__(self, unit: VirtualUnit, surroundings: Surroundings) -> Processor:
        self.close()
        self._process = AvrProcess(self._helper)
        self._processor = ElfProcessor(
            surroundings,
            unit.eeprom,
            self._image,
            self._process,
            brown_out_v=unit.model.values.get("U3.brown_out", 4.3),
        )
        return self._processor

    def trouble(self) -> str:
        """What is wrong with the firmware in the unit that was inserted last; "" when nothing."""
        return self._processor.trouble() if self._processor is not None else ""

    def close(self) -> None:
        """End the process of the unit that was in the jig."""
        if self._process is not None:
            self._process.close()
            self._process = None
