"""What the converter measures with: analogue reference and pack divider."""

from hil import check


@check(reads="aref", needs="voltmeter supply", after="start_time", seconds=0.2)
def test_level(row, probe, voltmeter, judge):
    probe(row.at["point"])
    judge(row, voltmeter.voltage_v())


@check(reads="divider_ratio aref_ratio", needs="voltmeter supply", after="start_time", seconds=0.2)
def test_ratio(row, probe, voltmeter, judge):
    probe(row.at["point"])
    voltage_v = voltmeter.voltage_v()
    probe(row.at["of"])
    of_v = voltmeter.voltage_v()
    judge(row, voltage_v / of_v if of_v else float("nan"))
