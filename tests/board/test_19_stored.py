"""What must survive power-off: serial number, Ccal, inductance scale, reload; power is away once in between."""

from hil import MeterError, check

_READ = {
    "stored_ccal": lambda meter: meter.ccal_f(),
    "stored_scale": lambda meter: meter.scale(),
    "stored_reload": lambda meter: float(meter.reload()),
}


@check(reads="stored_*", needs="supply meter", after="start_time self_test", seconds=0.33)
def test_stored(row, power, meter, run_state, judge):
    """One power-off serves all of them."""
    if "before_off" not in run_state:
        values = {name: read(meter) for name, read in _READ.items()}
        run_state["before_off"] = {**values, "stored_serial": meter.identity().serial}
        power.off()
        power.on()
    before = run_state["before_off"][row.name]
    if row.name == "stored_serial":
        found = meter.identity().serial
        judge(row, found == before, notes=(f"{before} before, {found} after power-off",))
        return
    if not before:
        raise MeterError(f"the meter's {row.name.removeprefix('stored_')} was 0 before power-off")
    found = _READ[row.name](meter)
    judge(row, found / before - 1, notes=(f"{before:.7g} before, {found:.7g} after power-off",))
