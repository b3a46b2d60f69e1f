"""One instrument behind PyVISA, spoken to by the verbs of its command set.

PyVISA's own errors and bare OSErrors (a socket opens even when nobody is there; the first use fails) both become
`InstrumentError` with role, address and what to do. After an error whatever is still on its way is thrown away, so
that the next question does not get the last one's answer.
"""

from contextlib import suppress

import pyvisa
from pyvisa.constants import StatusCode
from pyvisa.errors import VisaIOError
from pyvisa.resources import MessageBasedResource

from hil.errors import InstrumentError
from hil.ports import Clock
from hil.real.pace import Pace
from hil.real.trace import Exchange, Trace
from hil.wire import instrument
from hil.wire.instrument import CommandSet

_DRAIN_READS, _DRAIN_S = 8, 0.05


class VisaLibrary:
    """The PyVISA library of a bench; closes every instrument opened through it.

    Args:
        library: as PyVISA wants it: "" its own choice, "@py", or a path.

    Raises:
        InstrumentError: no such library here.
    """

    def __init__(self, library: str = "") -> None:
        try:
            self._manager = pyvisa.ResourceManager(library)
        except (OSError, ValueError, ImportError, pyvisa.Error) as problem:
            raise InstrumentError(
                "visa_library",
                repr(library),
                f'PyVISA cannot use it ({problem}). Install a VISA library, or write visa_library = "@py".',
            ) from problem

    def open(self, role: str, address: str, *, hint: str) -> MessageBasedResource:
        """Open one instrument.

        Raises:
            InstrumentError: nothing answers at the address, or it is no VISA address.
        """
        try:
            resource = self._manager.open_resource(
                address, read_termination="\n", write_termination="\n", open_timeout=5000
            )
        except Exception as problem:  # pyvisa-py raises just that where a host is not known
            raise InstrumentError(
                role, address, f"cannot be opened ({_words(problem)}). Switch it on, or correct the address{hint}."
            ) from problem
        if not isinstance(resource, MessageBasedResource):
            resource.close()
            raise InstrumentError(role, address, f"is not message based. Correct the address{hint}.")
        return resource

    def close(self) -> None:
        """Close the library and what was opened through it."""
        self._manager.close()


class VisaInstrument:
    """Carries out verbs.

    Args:
        role: its role on the bench.
        library: where to open it.
        address: VISA resource name.
        commands: how to speak to it.
        timeout_s: for an answer, besides what the verb itself takes.
        settle_s: wait after every command.
        hint: where its address stands, for messages, e.g. " (benches/west.toml:12)".

    Raises:
        InstrumentError: it cannot be opened.
    """

    def __init__(
        self,
        role: str,
        library: VisaLibrary,
        address: str,
        commands: CommandSet,
        *,
        clock: Clock,
        trace: Trace,
        timeout_s: float = 2.0,
        settle_s: float = 0.0,
        pace: Pace | None = None,
        hint: str = "",
    ) -> None:
        self.role, self.address, self.commands = role, address, commands
        self._clock, self._trace, self._pace, self._hint = clock, trace, pace or Pace(), hint
        self._timeout_s, self._settle_s = timeout_s, settle_s
        self._resource = library.open(role, address, hint=hint)
        self._limit_s = -1.0

    def identify(self) -> str:
        """Ask who it is.

        Raises:
            InstrumentError: no answer, or one that is no identity.
        """
        answer = self._exchange(self.commands.identify, self._timeout_s)
        if self.commands.identify == "*IDN?":
            try:
                instrument.parse_identity(answer)
            except ValueError as problem:
                raise self._trouble(f"{problem}. Is another kind of instrument at this address{self._hint}?") from None
        return answer

    def start(self) -> None:
        """Bring it into its known state.

        Raises:
            InstrumentError: it refuses or does not answer.
        """
        if self.commands.start:
            self._command(self.commands.start, self._timeout_s)

    def do(self, verb: str, **arguments: float | str) -> None:
        """Carry out a command, wait until it is done and has settled.

        Raises:
            InstrumentError: it refuses or does not answer.
        """
        known = self._verb(verb)
        self._command(known.message(arguments), self._timeout_s + known.seconds)
        if self._settle_s:
            self._clock.sleep(self._settle_s)

    def ask(self, verb: str, *, extra_s: float = 0.0, **arguments: float | str) -> float:
        """Ask for a value, SI; infinite when over range, NaN when there is none.

        Args:
            extra_s: what the measurement itself takes, such as a gate.

        Raises:
            InstrumentError: no answer, or one that is no number.
        """
        known = self._verb(verb)
        message = known.message(arguments)
        answer = self._exchange(message, self._timeout_s + known.seconds + extra_s)
        try:
            return known.read(answer)
        except ValueError as problem:
            self._drain()
            raise self._trouble(
                f"answers {message!r} with {answer[:40]!r}: {problem}. Switch it off and on; "
                f"if it stays, its command set {self.commands.name!r} is made for another instrument."
            ) from None

    def close(self) -> None:
        """Give it back."""
        with suppress(pyvisa.Error, OSError):  # it may be gone already
            self._resource.close()

    def _verb(self, verb: str) -> instrument.Verb:
        try:
            return self.commands.verbs[verb]
        except KeyError:
            raise self._trouble(
                f"its command set {self.commands.name!r} has no verb {verb!r}. "
                f"Add [verb.{verb}] to {self.commands.file or 'it'}."
            ) from None

    def _command(self, message: str, limit_s: float) -> None:
        if not self.commands.acknowledge:
            self._exchange(message, limit_s)
            return
        answer = self._exchange(message + self.commands.acknowledge, limit_s)
        try:
            for part in instrument.answers(answer):
                code, said = (0, "") if part in ("1", "+1") else instrument.error(part)
                if code:
                    raise self._trouble(
                        f"refuses {message!r}: {code} {said}. Correct the bench file or the command set."
                    )
        except ValueError as problem:
            self._drain()
            raise self._trouble(
                f"answers {message!r} with {answer[:40]!r}: {problem}. Switch it off and on; if it stays, "
                f"correct 'acknowledge' of the command set {self.commands.name!r}."
            ) from None

    def _exchange(self, message: str, limit_s: float) -> str:
        started_s, answer = self._clock.monotonic_s(), ""
        try:
            if limit_s != self._limit_s:
                self._resource.timeout = self._pace.limit_s(limit_s) * 1000  # PyVISA counts milliseconds
                self._limit_s = limit_s
            self._resource.write(message)
            if "?" in message:
                answer = self._resource.read().strip()
            return answer
        except (pyvisa.Error, OSError, UnicodeError) as problem:
            answer = f"({type(problem).__name__})"
            self._drain()
            raise self._trouble(self._explain(message, limit_s, problem)) from problem
        finally:
            seconds = self._clock.monotonic_s() - started_s
            self._trace.add(Exchange(role=self.role, asked=message, answered=answer, seconds=seconds))

    def _explain(self, message: str, limit_s: float, problem: Exception) -> str:
        if isinstance(problem, VisaIOError) and problem.error_code == StatusCode.error_timeout:
            return (
                f"does not answer {message!r} within {limit_s:g} s. "
                f"Check that it is on and its cable is plugged in, then its address{self._hint}."
            )
        if isinstance(problem, UnicodeError):
            return f"answers {message!r} with bytes that are no ASCII. Check its cable, switch it off and on."
        return (
            f"the connection broke at {message!r} ({_words(problem)}). "
            f"Check that it is on and its cable is plugged in, then its address{self._hint}."
        )

    def _drain(self) -> None:
        """Throw away what is still on its way."""
        self._limit_s = -1.0
        # A socket has no device clear; under pyvisa-py the attempt never ends once the other side has hung up.
        if self._resource.resource_class != "SOCKET":
            # (the last two: kinds of connection for which pyvisa-py has no device clear)
            with suppress(pyvisa.Error, OSError, NotImplementedError, AttributeError):
                self._resource.clear()
        with suppress(pyvisa.Error, OSError):  # silent at last, or gone
            self._resource.timeout = _DRAIN_S * 1000
            for _ in range(_DRAIN_READS):
                self._resource.read_raw()

    def _trouble(self, problem: str) -> InstrumentError:
        return InstrumentError(self.role, self.address, problem)


def _words(problem: BaseException) -> str:
    return " ".join(str(problem).split()) or type(problem).__name__
