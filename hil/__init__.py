"""Hardware-in-the-loop check for assembled inductance/capacitance meters.

The rooms, imports going down only:

    cli, fixtures → runner, app → files, render, store, real, simlink, suite → sim → circuit, ports, wire → core

    core      numbers in, judgements out: units, plan, records, judge, budget, guard, compare, …  (pure)
    circuit   netlist → voltages, currents, frequency; faults  (pure; never imports the meter's arithmetic)
    wire      bytes ↔ messages: the bench port, SCPI  (pure)
    files     text → values, errors with path:line: key  (pure)
    ports     what the application needs from the outside, as Protocols
    real      the hardware side of the ports         sim      the simulated side
    simlink   the simulated bench behind PyVISA and pyserial
    store     records in SQLite                      render   values → PDF, HTML, CSV, XML, plots
    app       use cases                              runner   the one place that runs pytest
    cli       one file per command                   suite    where fixtures/, limits/, reports/, tests/board are
"""

from hil.core import lc
from hil.core.plan import check
from hil.errors import BenchError, HilError, MeterError, MeterSilent, UnitError

__version__ = "0.1.0"
__all__ = ["BenchError", "HilError", "MeterError", "MeterSilent", "UnitError", "check", "lc"]
