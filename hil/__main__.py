"""``python -m hil``."""

from hil.cli.main import run

run()
