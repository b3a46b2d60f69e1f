"""The fault dictionary as a file that travels with the board: fixtures/boards/BOARD_dictionary.npz.

Numbers are stored in 16 bits, which is far finer than what they are known to. `about` says what the dictionary was
learned with; a run of another netlist, other limits or another firmware is refused, because its readings mean
something else.
"""

import io
import json
import zipfile
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path

import numpy as np

from hil.app.locate import FOLDERS, label_of, load_limits, netlist_sha256
from hil.core.diagnosis import Dictionary, Modes
from hil.core.records import RunOpened
from hil.errors import UsageError

FORMAT = "1"
_MOVED = "Learn it anew with 'hil diagnose --learn', or diagnose with the version of the suite that checked the unit."


def dictionary_path(board: str) -> Path:
    """Where the dictionary of a board kind lies."""
    return FOLDERS["board"] / f"{board}_dictionary.npz"


def state_of(board: str, limits: str) -> dict[str, str]:
    """What readings mean: netlist and limits as they are now.

    Raises:
        UsageError: no such board or limits.
    """
    found = load_limits(limits)
    return {
        "board": board,
        "netlist_sha256": netlist_sha256(board),
        "limits_revision": found.revision,
        "limits_sha256": found.sha256,
    }


def packed(dictionary: Dictionary) -> bytes:
    """The dictionary as the bytes of a file; equal dictionaries give equal bytes."""
    modes = dictionary.modes
    arrays = {
        "logarithmic": dictionary.logarithmic,
        "numeric": dictionary.numeric,
        "location": dictionary.location,
        "scale": dictionary.scale,
        "covariance": dictionary.covariance.astype(np.float32),
        "weights": dictionary.weights,
        "groups": dictionary.groups.astype(np.int32),
        "fault": modes.fault.astype(np.int32),
        "share": modes.share,
        "shift": modes.shift.astype(np.float16),
        "kept": modes.kept.astype(np.float16),
        "scatter": modes.scatter.astype(np.float16),
        "odds": np.log(modes.odds).astype(np.float16),
    }
    head = {
        "format": FORMAT,
        "about": dict(dictionary.about),
        "rows": dictionary.rows,
        "readings": dictionary.readings,
        "faults": dictionary.faults,
        "sharpness": dictionary.sharpness,
        "none_weight": dictionary.none_weight,
        "model_error": dictionary.model_error,
        "tail_dof": dictionary.tail_dof,
    }
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        archive.writestr(_entry("head.json"), json.dumps(head, sort_keys=True))
        for name, array in arrays.items():
            content = io.BytesIO()
            np.save(content, array, allow_pickle=False)
            archive.writestr(_entry(f"{name}.npy"), content.getvalue())
    return buffer.getvalue()


def _entry(name: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name)  # with the earliest date there is: the bytes depend on the content alone
    entry.compress_type = zipfile.ZIP_DEFLATED
    return entry


def unpacked(label: str, content: bytes) -> Dictionary:
    """A dictionary from the bytes of its file.

    Raises:
        UsageError: it is no dictionary, or of another format.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            head = json.loads(archive.read("head.json"))
            if head["format"] != FORMAT:
                raise UsageError(f"{label}: is a fault dictionary of format {head['format']}, not {FORMAT}. {_MOVED}")
            found = {
                name.removesuffix(".npy"): np.load(io.BytesIO(archive.read(name)), allow_pickle=False)
                for name in archive.namelist()
                if name.endswith(".npy")
            }
        wide = {name: found[name].astype(np.float64) for name in ("shift", "kept", "scatter", "share")}
        return Dictionary(
            about=head["about"],
            rows=tuple(head["rows"]),
            readings=head["readings"],
            logarithmic=found["logarithmic"],
            numeric=found["numeric"],
            location=found["location"],
            scale=found["scale"],
            covariance=found["covariance"].astype(np.float64),
            faults=tuple(head["faults"]),
            weights=found["weights"],
            groups=found["groups"].astype(np.int64),
            modes=Modes(fault=found["fault"].astype(np.int64), odds=np.exp(found["odds"].astype(np.float64)), **wide),
            sharpness=head["sharpness"],
            none_weight=head["none_weight"],
            model_error=head["model_error"],
            tail_dof=head["tail_dof"],
        )
    except (zipfile.BadZipFile, KeyError, ValueError, OSError) as problem:
        raise UsageError(f"{label}: is not a fault dictionary ({problem}). {_MOVED}") from None


@lru_cache(maxsize=2)
def _read(path: Path, changed_ns: int) -> Dictionary:
    return unpacked(label_of(path), path.read_bytes())


def load_dictionary(path: Path) -> Dictionary:
    """The dictionary in a file; read once as long as the file does not change.

    Raises:
        UsageError: there is none, or it cannot be used.
    """
    if not path.is_file():
        raise UsageError(f"{label_of(path)}: there is no fault dictionary. Make one with 'hil diagnose --learn'.")
    return _read(path, path.stat().st_mtime_ns)


def refuse_other(dictionary: Dictionary, opened: RunOpened, facts: Mapping[str, str], *, label: str) -> None:
    """Refuse a run whose readings mean something else than those the dictionary was learned from.

    Raises:
        UsageError: another board, netlist, limits or firmware.
    """
    about = dictionary.about
    pairs = (
        ("board", opened.board, about["board"]),
        ("netlist", opened.netlist_sha256, about["netlist_sha256"]),
        ("limits revision", opened.limits_revision, about["limits_revision"]),
        ("limits file (SHA-256)", opened.limits_sha256, about["limits_sha256"]),
        ("firmware", facts.get("firmware_version", ""), about["firmware"]),
    )
    for what, of_run, learned in pairs:
        if of_run and of_run != learned:
            raise UsageError(
                f"{opened.run}: was recorded with another {what} ({of_run[:12]}) than the fault dictionary {label} was "
                f"learned with ({learned[:12]}). {_MOVED}"
            )
