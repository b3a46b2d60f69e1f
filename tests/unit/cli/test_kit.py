"""``hil kit``."""

import json

from hil.cli.main import main
from hil.suite import ROOT


def test_the_kit_of_the_bench(capsys):
    assert main(["kit"]) == 0
    out = capsys.readouterr().out
    assert "c_100p" in out
    assert out.rstrip().endswith("all in date")
    assert main(["kit", "--json"]) == 0
    first = json.loads(capsys.readouterr().out.splitlines()[0])
    assert (first["part"], first["unit"], first["trouble"]) == ("c_1p", "F", "")


def test_a_damaged_part_is_bench_trouble(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bench").mkdir()
    kit = (ROOT / "fixtures/kits/demo.toml").read_text(encoding="utf-8")
    (tmp_path / "bench" / "kit.toml").write_text(kit.replace("[part.c_1p]\n", "[part.c_1p]\ndamaged = 'chipped'\n"))
    bench = (ROOT / "fixtures/benches/by_hand.toml").read_text(encoding="utf-8")
    (tmp_path / "bench" / "own.toml").write_text(bench.replace('kit = "demo"', 'kit = "./kit.toml"'))
    assert main(["kit", "--bench", "bench/own.toml"]) == 3
    out = capsys.readouterr().out
    assert "damaged: chipped" in out
    assert "not to be used: c_1p" in out


def test_a_cross_check_needs_a_record(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["kit", "--since", "2026-11-01"]) == 4
    assert "no record there" in capsys.readouterr().err
