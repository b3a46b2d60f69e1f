"""Where the files that travel with the code are: ROOT / "fixtures", "limits", "reports", "tests/board".

In a wheel they lie beside this file; in a checkout they are at the top of the repository. Whichever `hil`
Python imported decides the rest, so code, fixtures, checks and limits never come from two versions.
"""

from pathlib import Path

_here = Path(__file__).parent
ROOT = _here if (_here / "limits").is_dir() else _here.parents[1]
