"""Settings: options, then ./hil.toml (no search upwards), then defaults. Each one remembers where it came from."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from hil.app.locate import read_text
from hil.errors import UsageError
from hil.files.settings import parse_settings

FILE = "hil.toml"
DEFAULTS: Mapping[str, str | tuple[str, ...]] = {
    "bench": "simulated",
    "limits": "qm2",
    "out": "hil-out",
    "records": "records.sqlite",
    "operator": "",
    "lot": "",
    "scope": "full",
    "checks": (),
}
SIMULATED_RECORDS = "simulated.sqlite"


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One setting and where it came from: an option, a line of hil.toml, or the default."""

    name: str
    value: str | tuple[str, ...]
    origin: str

    def __str__(self) -> str:
        value = ", ".join(self.value) if isinstance(self.value, tuple) else self.value
        return f"{self.name}: {value}  ({self.origin})"


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """All settings of one call."""

    by_name: Mapping[str, Setting]

    def __getitem__(self, name: str) -> str:
        value = self.by_name[name].value
        if not isinstance(value, str):
            raise TypeError(f"{name} is a list")
        return value

    @property
    def checks(self) -> tuple[Path, ...]:
        """Folders with more checks."""
        value = self.by_name["checks"].value
        return tuple(Path(folder) for folder in ((value,) if isinstance(value, str) else value))

    @property
    def out(self) -> Path:
        """Where records and files go."""
        return Path(self["out"])

    def records(self, *, simulated: bool) -> str:
        """The database: a path or postgresql://…; simulated runs never go where real ones are.

        Raises:
            UsageError: real runs would go into the record of simulated ones.
        """
        named = self["records"]
        if simulated:
            return str(self.out / SIMULATED_RECORDS)
        if "://" in named:
            return named
        path = Path(named) if "/" in named else self.out / named
        if path.name == SIMULATED_RECORDS:
            origin = self.by_name["records"].origin
            raise UsageError(f"records '{named}' ({origin}): that name is for simulated runs. Name another file.")
        return str(path)

    def told(self, origin: str, **values: str) -> "Settings":
        """The same settings with some told otherwise, by whoever `origin` says."""
        changed = {name: Setting(name=name, value=value, origin=origin) for name, value in values.items()}
        return Settings(by_name={**self.by_name, **changed})

    def as_record(self) -> tuple[tuple[str, str, str], ...]:
        """(name, value, origin) of every setting, for the record of a run."""
        return tuple(
            (one.name, ", ".join(one.value) if isinstance(one.value, tuple) else one.value, one.origin)
            for one in self.by_name.values()
        )


def read_settings(options: Mapping[str, str | tuple[str, ...] | None], *, folder: Path | None = None) -> Settings:
    """Put the settings together.

    Args:
        options: what the command line gave, by setting name; None for what it did not give.
        folder: where hil.toml may lie; None: the present folder.

    Raises:
        UsageError: hil.toml cannot be read or is wrong.
    """
    path = (folder or Path()) / FILE
    written = parse_settings(FILE, read_text(path)) if path.is_file() else {}
    by_name = {}
    for name, default in DEFAULTS.items():
        given = options.get(name)
        if given not in (None, ()):
            setting = Setting(name=name, value=given or "", origin=f"--{name}")
        elif name in written:
            setting = Setting(name=name, value=written[name].value, origin=written[name].origin)
        else:
            setting = Setting(name=name, value=default, origin="default")
        by_name[name] = setting
    return Settings(by_name=by_name)
