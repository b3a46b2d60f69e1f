"""The pytest plugin: `pytest -p hil.fixtures`. Its modules are the files of the folder fixtures/."""

from hil.suite import ROOT

__path__ = [str(ROOT / "fixtures")]  # hil.fixtures.plugin is fixtures/plugin.py

from hil.fixtures.plugin import *  # noqa: F403
