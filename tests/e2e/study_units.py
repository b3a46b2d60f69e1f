"""Checks many simulated units without making files of them; one JSON line a unit.

python study_units.py full QM2-00001 QM2-00002                 units without a fault
python study_units.py full QM2-00001=C1=open QM2-00002=R5=+20%   each with its own (several: with a plus between)
"""

import json
import sys
import tempfile
from pathlib import Path

from hil.app.check_unit import Order, check_units
from hil.app.settings import read_settings
from hil.runner import BoardSession

NOW = "2026-11-25T05:00:00.000+00:00"


def main(scope: str, units: list[str]) -> None:
    """Each unit, or all of them in one call when none has a fault."""
    with tempfile.TemporaryDirectory() as folder:
        settings = read_settings({"scope": scope, "out": folder}, folder=Path(folder))
        faulty = [unit.partition("=") for unit in units]
        calls = [((serial,), tuple(faults.split("+"))) for serial, _, faults in faulty if faults]
        good = tuple(serial for serial, _, faults in faulty if not faults)
        with BoardSession() as session:
            for serials, faults in ([(good, ())] if good else []) + calls:
                order = Order(serials=serials, settings=settings, now=NOW, faults=faults)
                for outcome in check_units(order, session):
                    run = outcome.run
                    assert run.closed is not None
                    line = {
                        "serial": run.opened.serial,
                        "verdict": str(run.closed.verdict),
                        "exit_code": outcome.exit_code,
                        "trouble": outcome.trouble,
                        "readings": {one.name: one.value for one in run.readings},
                        "failed": [one.name for one in run.readings if one.verdict == "fail"],
                        "reasons": [one.reason for one in run.readings if one.verdict == "fail"],
                    }
                    print(json.dumps(line), flush=True)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2:])
