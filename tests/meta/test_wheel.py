"""The wheel holds what git tracks of the shipped folders, in the shape it has at the root, and nothing else."""

import subprocess
import sys
import zipfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
MOVED = {"fixtures/": "hil/suite/fixtures/", "limits/": "hil/suite/limits/", "reports/": "hil/suite/reports/"}
MOVED["tests/board/"] = "hil/suite/tests/board/"


def _in_wheel(path: str) -> str | None:
    if path.startswith("hil/"):
        return path
    for folder, target in MOVED.items():
        if path.startswith(folder):
            return target + path.removeprefix(folder)
    return None


def test_wheel_content_is_what_git_tracks(tmp_path: Path) -> None:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True)
    tracked = listed.stdout.split("\n")
    build = "from hatchling.build import build_wheel; import sys; print(build_wheel(sys.argv[1]))"
    done = subprocess.run(
        [sys.executable, "-c", build, str(tmp_path)], cwd=ROOT, capture_output=True, text=True, check=True
    )
    with zipfile.ZipFile(tmp_path / done.stdout.split()[-1]) as wheel:
        inside = {name for name in wheel.namelist() if ".dist-info/" not in name}
    expected = {target for path in tracked if (target := _in_wheel(path)) is not None}
    assert inside == expected
