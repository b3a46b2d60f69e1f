"""Bench files: text -> `BenchFile`, the physical station: what stands there, at which address, wired to what.

format = 1
bench = "west"                       # name of the bench, in every record
kit = "demo"                         # a shipped kit, or a path
visa_library = "@py"                 # PyVISA library; "" is PyVISA's own choice
simulated = false                    # true: the simulated bench answers at the addresses below
speed = 1                            # simulated only: its time runs so many times faster than the wall's
readiness_hours = 24                 # how old the readiness check may be
place = "assembly room"              # optional, for the certificate
[meter]                              # the unit's serial port
port = "/dev/ttyUSB0"                # any pyserial URL
baud = 38400
protocol = "bench_port"              # or "listen": pattern picks values from the lines that the meter prints
[role.supply]                        # supply voltmeter counter generator selector thermometer operator programmer
address = "TCPIP::192.168.0.10::5025::SOCKET"
commands = "scpi_supply"             # a shipped command set (fixtures/benches/commands), or a path
identity = "^Invented,PS-30,"        # regular expression that the answer to *IDN? must match
settle = "50 ms"                     # wait after a change; default 0
timeout = "2 s"
certificate = "QI-E-0003"
due = 2027-03-01
accuracy = { voltage = "0.05 % + 3 mV", current = "0.2 % + 1 mA" }   # ±(of reading + constant), half-widths
history = [{ certificate = "QI-E-0003", date = 2026-03-01, in_tolerance = true }]   # all so far, the present one last
short_term = { voltage = "10 ppm + 0.2 mV" }   # of that, what two readings of one range in a minute do not share
[role.voltmeter]
by_hand = true                       # read by the operator, who types the value in; no address then
[role.operator]                      # a person at the terminal; simulated behind real ports: address = "host:port"
[role.programmer]
command = ["flash-tool", "-w", "{image}"]   # run without a shell; {image} and {serial} are replaced
timeout = "60 s"
[selector.parts]                     # part of the kit = channel of the selector; "open" and "short" too
c_100p = 103
[selector.probes]                    # test point = channel of the selector
TP_5V = 201
[jig]                                # what the readiness check expects of the jig
golden_unit = "QM2-GOLD"             # good unit that stays with the bench and measures jig and check parts
open_capacitance = "6 pF"            # at most
short_inductance = "200 nH"          # at most
contact_resistance = "2 ohm"         # at most
check_parts = ["c_470p_check"]
[uncertainty.jig]                    # needed to check units: what the jig adds to a reading of a part
zero_capacitance = "0.02 pF"         # half-width: what is left after the zero was taken
zero_inductance = "5 nH"
contact_capacitance = "0.01 pF"      # standard deviation: a part fitted again
contact_inductance = "3 nH"
terminal_capacitance = "0.3 pF"      # half-width: how well what the jig adds across the terminals is known
loss_at_1uF = "0.12 %"               # half-width: what its unknown series resistance makes of 1 µF; less, as C²
leads = "0.3 ohm"                    # half-width: what leads and needles add to a resistance
temperature = "2 degC"               # half-width: of the parts, where no thermometer stands at the jig
[uncertainty.meter]                  # what the kind of meter adds
noise = "0.5 ppm"                    # standard deviation of one gate's frequency beside its whole counts
noise_dof = 26                       # its degrees of freedom, 1 or more
drift_between_gates = "2 ppm"        # half-width: the tank, between two gates of one check
drift_since_zero = "5 ppm"           # half-width: the tank, between zero and reading
timebase = "20 ppm"                  # half-width after trim
timebase_drift = "0.2 ppm"           # half-width: between two readings of one check
battery_step = "12.2 mV"             # one step of the meter's converter, at the pack
"""

import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from hil.core.equipment import Accuracy, Calibration, JigUncertainty, MeterUncertainty
from hil.core.limit import Place
from hil.core.plan import ROLES
from hil.errors import FileError
from hil.files.limits import parse_half_width
from hil.files.located import Table, parse_document
from hil.wire.meter import Pattern

KEYS = (
    "format", "bench", "kit", "visa_library", "simulated", "speed", "readiness_hours", "place", "meter", "role",
    "selector", "jig", "uncertainty",
)  # fmt: skip
METER_KEYS = ("port", "baud", "protocol", "pattern", "timeout")
ROLE_KEYS = (
    "address", "commands", "identity", "by_hand", "settle", "timeout", "certificate", "due", "history", "accuracy",
    "short_term",
    "description", "command",
)  # fmt: skip
JIG_KEYS = ("golden_unit", "open_capacitance", "short_inductance", "contact_resistance", "check_parts")
# key in [uncertainty.jig] or [uncertainty.meter] -> field and unit
JIG_UNCERTAINTY = {
    "zero_capacitance": ("zero_f", "F"),
    "zero_inductance": ("zero_h", "H"),
    "contact_capacitance": ("contact_f", "F"),
    "contact_inductance": ("contact_h", "H"),
    "terminal_capacitance": ("terminals_f", "F"),
    "loss_at_1uF": ("loss_at_1uf", ""),
    "leads": ("leads_ohm", "ohm"),
    "temperature": ("temperature_k", "degC"),
}
METER_UNCERTAINTY = {
    "noise": ("noise", ""),
    "drift_between_gates": ("drift_between_gates", ""),
    "drift_since_zero": ("drift_since_zero", ""),
    "timebase": ("timebase", ""),
    "timebase_drift": ("timebase_drift", ""),
    "battery_step": ("battery_step_v", "V"),
}
PROTOCOLS = ("bench_port", "listen")
ACCURACY_UNITS = {
    "voltage": "V", "current": "A", "resistance": "ohm", "frequency": "Hz", "temperature": "degC",
}  # fmt: skip
_ROLES = tuple(role for role in ROLES if role != "meter")


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterPort:
    """Where the unit's serial port is and what it speaks."""

    port: str
    baud: int = 38400
    protocol: str = "bench_port"
    pattern: str = ""
    timeout_s: float = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Role:
    """One instrument, tool or person of the bench."""

    role: str
    address: str = ""
    commands: str = ""
    identity: str = ""
    by_hand: bool = False
    settle_s: float = 0.0
    timeout_s: float = 2.0
    certificate: str = ""
    due: str = ""  # ISO date
    history: tuple[Calibration, ...] = ()  # calibrations so far, oldest first; the last one is `certificate`
    accuracy: Mapping[str, Accuracy] = field(default_factory=dict)
    short_term: Mapping[str, Accuracy] = field(default_factory=dict)  # part of it not common to readings of one range
    description: str = ""
    command: tuple[str, ...] = ()  # programmer only
    place: Place | None = field(default=None, compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Jig:
    """What the empty jig may show at the readiness check, and the check parts measured then."""

    open_capacitance_f: float | None = None
    short_inductance_h: float | None = None
    contact_resistance_ohm: float | None = None
    check_parts: tuple[str, ...] = ()
    golden_unit: str = ""  # serial number of the unit that stays with the bench and measures jig and check parts


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchFile:
    """A bench as its file tells it."""

    bench: str
    kit: str
    visa_library: str
    simulated: bool
    readiness_hours: float
    meter: MeterPort | None
    roles: Mapping[str, Role]
    parts: Mapping[str, int]  # selector channels of reference parts
    probes: Mapping[str, int]  # selector channels of test points
    jig: Jig
    location: str
    file: str
    sha256: str
    uncertainty: tuple[JigUncertainty, MeterUncertainty] | None = None
    speed: float = 1.0  # bench seconds per second of the wall; 1.0 wherever anything is real

    @property
    def available(self) -> frozenset[str]:
        """Roles that a check can count on."""
        return frozenset(self.roles) | (frozenset({"meter"}) if self.meter else frozenset())


def parse_bench(label: str, text: str) -> BenchFile:
    """Read a bench file.

    Args:
        label: the file as the user named it, for messages.
        text: its content.

    Raises:
        FileError: anything wrong, with line, key and remedy.
    """
    document = parse_document(label, text)
    document.only(KEYS)
    selector = document.table("selector")
    selector.only(("parts", "probes"))
    roles = {}
    for name, table in document.tables("role"):
        document.table("role").only(_ROLES)
        roles[name] = _role(table)
        if name == "operator" and roles[name].address and not document.flag("simulated", False):
            raise table.error("address", "belongs to a simulated bench only: a person has no address. Delete it.")
    channels = {kind: _channels(selector.table(kind)) for kind in ("parts", "probes")}
    if selector.values and "selector" not in roles:
        raise selector.error(None, "wires channels, but there is no [role.selector]. Add it or delete this table.")
    return BenchFile(
        bench=document.text("bench"),
        kit=document.text("kit"),
        visa_library=document.text("visa_library", ""),
        simulated=document.flag("simulated", False),
        readiness_hours=document.number("readiness_hours", 24.0, above=0.0),
        meter=_meter(document.table("meter")) if "meter" in document else None,
        roles=roles,
        parts=channels["parts"],
        probes=channels["probes"],
        jig=_jig(document.table("jig")),
        location=document.text("place", ""),
        file=label,
        sha256=hashlib.sha256(text.encode()).hexdigest(),
        uncertainty=_uncertainty(document.table("uncertainty")) if "uncertainty" in document else None,
        speed=_speed(document),
    )


def _speed(document: Table) -> float:
    if "speed" in document and not document.flag("simulated", False):
        raise document.error("speed", "belongs to a simulated bench only. Delete it: real time cannot be sped up.")
    return float(document.number("speed", 1.0, above=0.0))


def _uncertainty(stated: Table) -> tuple[JigUncertainty, MeterUncertainty]:
    stated.only(("jig", "meter"))
    jig, meter = stated.table("jig"), stated.table("meter")
    jig.only(JIG_UNCERTAINTY)
    meter.only((*METER_UNCERTAINTY, "noise_dof"))

    def values(table: Table, keys: Mapping[str, tuple[str, str]]) -> dict[str, float]:
        return {name: table.quantity(key, unit, above=0.0) for key, (name, unit) in keys.items()}

    return (
        JigUncertainty(**values(jig, JIG_UNCERTAINTY)),
        MeterUncertainty(noise_dof=meter.number("noise_dof", minimum=1.0), **values(meter, METER_UNCERTAINTY)),
    )


def uncertainty_of(bench: BenchFile) -> tuple[JigUncertainty, MeterUncertainty]:
    """What jig and meter add to a reading.

    Raises:
        FileError: the bench does not say it.
    """
    if bench.uncertainty is None:
        words = (
            "is missing: nobody knows what jig and meter add to a reading. Add [uncertainty.jig] and "
            "[uncertainty.meter]; the shipped bench 'simulated' has both, with where each value comes from."
        )
        raise FileError(bench.file, None, "uncertainty", words)
    return bench.uncertainty


def refuse_overdue(bench: BenchFile, today: str) -> None:
    """No instrument whose calibration is overdue judges a unit.

    Raises:
        FileError: at the role's table.
    """
    for role in bench.roles.values():
        if role.due and role.due < today:
            words = f"calibration was due {role.due}, today is {today}. Send it to calibration, or replace it."
            raise FileError(bench.file, role.place.line if role.place else None, f"role.{role.role}.due", words)


def _meter(table: Table) -> MeterPort:
    table.only(METER_KEYS)
    protocol = str(table.choice("protocol", PROTOCOLS, "bench_port"))
    if protocol == "listen" and "pattern" not in table:
        raise table.error("pattern", "is missing. A meter that only prints needs pattern = 'C=(?P<capacitance>\\S+)'.")
    if protocol == "bench_port" and "pattern" in table:
        raise table.error("pattern", 'belongs to protocol = "listen". Delete it or change the protocol.')
    pattern = _regex(table, "pattern")
    if pattern:
        try:
            Pattern(pattern)
        except ValueError as problem:
            raise table.error(
                "pattern", f"{problem}. Name what it picks: (?P<capacitance>…), (?P<inductance>…)."
            ) from None
    return MeterPort(
        port=table.text("port"),
        baud=table.integer("baud", 38400, minimum=50),
        protocol=protocol,
        pattern=pattern,
        timeout_s=table.quantity("timeout", "s", 2.0, above=0.0),
    )


def _regex(table: Table, key: str) -> str:
    text = table.text(key, "")
    try:
        re.compile(text)
    except re.error as problem:
        raise table.error(key, f"is not a regular expression: {problem}.") from None
    return text


def _role(table: Table) -> Role:
    table.only(ROLE_KEYS)
    by_hand = table.flag("by_hand", table.name == "operator" and "address" not in table)
    command = table.texts("command", ())
    if table.name == "programmer":
        if not by_hand and not any("{image}" in word for word in command):
            raise table.error("command", "must be a list of words with '{image}' in one of them.")
    elif command:
        raise table.error("command", "belongs to [role.programmer] only. Delete it.")
    elif by_hand and table.name == "selector":
        words = "is what a bench without one is. Delete [role.selector]: parts and test points are asked for then."
        raise table.error("by_hand", words)
    elif by_hand and "address" in table:
        raise table.error("address", "stands beside by_hand = true. Keep one of them.")
    elif not by_hand:
        table.text("address")
        if table.name != "operator":
            table.text("commands")
    due = table.date("due", None)
    history = _history(table, due.isoformat() if due else "")
    accuracy, short_term = table.table("accuracy"), table.table("short_term")
    accuracy.only(ACCURACY_UNITS)
    short_term.only(accuracy.values)
    return Role(
        role=table.name,
        address=table.text("address", ""),
        commands=table.text("commands", ""),
        identity=_regex(table, "identity"),
        by_hand=by_hand,
        settle_s=table.quantity("settle", "s", 0.0, minimum=0.0),
        timeout_s=table.quantity("timeout", "s", 60.0 if table.name == "programmer" else 2.0, above=0.0),
        certificate=table.text("certificate", ""),
        due=due.isoformat() if due else "",
        history=history,
        accuracy={key: _accuracy(accuracy, key) for key in accuracy.values},
        short_term={key: _accuracy(short_term, key) for key in short_term.values},
        description=table.text("description", ""),
        command=command,
        place=Place(file=table.label, line=table.line()),
    )


def _history(table: Table, due: str) -> tuple[Calibration, ...]:
    entries = list(table.entries("history"))
    found: list[Calibration] = []
    for entry in entries:
        entry.only(("certificate", "date", "in_tolerance"))
        date = entry.date("date").isoformat()
        if found and date <= found[-1].date:
            raise entry.error("date", f"{date} is not after {found[-1].date}. Put the oldest calibration first.")
        if due and date >= due:
            raise entry.error("date", f"{date} is not before the instrument is due ({due}). Correct one of them.")
        found.append(
            Calibration(
                certificate=entry.text("certificate"), date=date, in_tolerance=bool(entry.flag("in_tolerance", True))
            )
        )
    present = table.text("certificate", "")
    if found and found[-1].certificate != present:
        words = f"ends with {found[-1].certificate}, but the certificate is {present or 'not given'}. Make them agree."
        raise table.error("history", words)
    return tuple(found)


def _accuracy(table: Table, key: str) -> Accuracy:
    try:
        relative, absolute = parse_half_width(str(table.text(key)), ACCURACY_UNITS[key], "accuracy", key)
    except ValueError as problem:
        raise table.error(key, f"{problem}. Write it like '0.05 % + 3 mV'.") from None
    return Accuracy(relative=relative, absolute=absolute)


def _channels(table: Table) -> dict[str, int]:
    channels = {name: table.integer(name, minimum=0) for name in table.values}
    for name, channel in channels.items():
        twins = [other for other, used in channels.items() if used == channel and other != name]
        if twins:
            raise table.error(twins[-1], f"channel {channel} is already wired to '{name}'. Correct one of them.")
    return channels


def _jig(table: Table) -> Jig:
    table.only(JIG_KEYS)
    return Jig(
        open_capacitance_f=table.quantity("open_capacitance", "F", None, above=0.0),
        short_inductance_h=table.quantity("short_inductance", "H", None, above=0.0),
        contact_resistance_ohm=table.quantity("contact_resistance", "ohm", None, above=0.0),
        check_parts=table.texts("check_parts", ()),
        golden_unit=table.text("golden_unit", ""),
    )
