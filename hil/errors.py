"""What can go wrong, as a tree; the command line maps each branch to an exit code.

    HilError
    ├── UsageError          4  an option, setting or file is wrong: nothing was touched
    │   └── FileError       4  the same, with file, line and key
    ├── BenchError          3  an instrument, the jig or the program itself is in trouble: the unit was not judged
    │   ├── InstrumentError 3  one instrument (the meter's serial adapter is one): role, address
    │   └── CannotAsk       -  firmware that only prints cannot be asked this: the row is not measured
    ├── UnitError           -  the unit misbehaves while its port is alive; the row being read fails with this reason
    │   ├── MeterSilent     -  no answer in time
    │   └── MeterError      -  an answer that is not one, an error it reports, a restart nobody asked for
    └── Interrupted         2  a person or signal stopped the run

Every message says what is wrong, where, and what to do next. Exceptions pass their arguments up, so that they
survive pickling.
"""


class HilError(Exception):
    """Anything this program reports without a traceback."""


class UsageError(HilError):
    """An option, a setting or a file is wrong; nothing was touched."""


class FileError(UsageError):
    """A file is wrong at a known place.

    Args:
        file: label of the file, as the user named it.
        line: 1-based line, or None when the file as a whole is meant.
        key: dotted key such as ``limit.c_1n.upper``, or "" when no key is meant.
        problem: what is wrong and what to do, one sentence or more.
    """

    def __init__(self, file: str, line: int | None, key: str, problem: str) -> None:
        super().__init__(file, line, key, problem)
        self.file, self.line, self.key, self.problem = file, line, key, problem

    def __str__(self) -> str:
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        return f"{place}: {self.key}: {self.problem}" if self.key else f"{place}: {self.problem}"


class BenchError(HilError):
    """The bench is in trouble; the unit was not judged."""


class InstrumentError(BenchError):
    """One instrument is in trouble.

    Args:
        role: its role in the bench file, for example ``voltmeter``.
        address: its address as the bench file names it.
        problem: what is wrong and what to do.
    """

    def __init__(self, role: str, address: str, problem: str) -> None:
        super().__init__(role, address, problem)
        self.role, self.address, self.problem = role, address, problem

    def __str__(self) -> str:
        return f"{self.role} at {self.address}: {self.problem}"


class CannotAsk(BenchError):
    """The firmware takes no commands and does not print what is asked; in a check only that row goes without."""


class UnitError(HilError):
    """The unit under test misbehaves while its port is alive: a reading fails, the bench is fine."""


class MeterSilent(UnitError):
    """The meter did not answer in time."""


class MeterError(UnitError):
    """The meter answered what is not an answer, reports an error, or restarted by itself."""


class Interrupted(HilError):
    """A person or a signal stopped the run."""
