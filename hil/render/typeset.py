"""Certificate and plot on paper: data and template texts in, PDF/A and SVG out. Same data, same bytes.

typst does the page; it reads the fonts from the folder it is given and nothing else, and downloads nothing. The
plot is drawn by it too: one drawing serves PDF and HTML, and no run waits a second for a plotting library to load.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from io import BytesIO
from typing import Any

from hil.render.certificate import Certificate, plain_data
from hil.render.fit import fit
from hil.render.results import Point

STANDARD = "a-3b"


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """Texts of ``reports/*.typ`` by file name, and the folder with their fonts."""

    templates: Mapping[str, str]
    font_folder: str

    def warm_up(self) -> None:
        """Load the typesetter, its fonts and the QR code's maker."""
        qr_svg("")
        _compile("#set page(width: auto)\na", {}, self, format="svg")


def typeset(certificate: Certificate, paper: Paper) -> bytes:
    """The certificate as PDF/A-3b.

    Without tags of structure, which PDF/A-3b does not ask for: they take five times as long as everything else.
    Who has the page read out is served better by the JSON and XML of the same data.
    """
    data = certificate.as_json()
    data["qr_svg"] = qr_svg(certificate.seal)
    data["fit"] = plain_data(fit(certificate))
    issued = datetime.fromisoformat(certificate.issued[:10]).replace(tzinfo=UTC)
    return _compile(
        paper.templates["certificate.typ"],
        data,
        paper,
        pdf_standards=[STANDARD],
        timestamp=int(issued.timestamp()),
        pdf_tags=False,
    )


def errors_svg(points: Sequence[Point], paper: Paper, *, simulated: bool) -> str:
    """Errors of the reference parts over both ranges as SVG text; SIMULATED stands across the data."""
    page = (
        '#import "plot.typ": errors\n'
        "#set page(width: auto, height: auto, margin: 1mm, fill: none)\n"
        "#let data = json(bytes(sys.inputs.data))\n"
        "#errors(data.points, simulated: data.simulated)\n"
    )
    data = {"points": [plain_data(point) for point in points], "simulated": simulated}
    return _compile(page, data, paper, format="svg").decode()


def qr_svg(text: str) -> str:
    """A QR code as SVG text."""
    import segno

    out = BytesIO()
    # Any mask is as readable to a machine; to try all eight for the finest pattern costs more than the page.
    segno.make(text, error="m", mask=0).save(out, kind="svg", border=0, xmldecl=False, svgns=True)
    return out.getvalue().decode()


def _compile(page: str, data: Mapping[str, Any], paper: Paper, **how: Any) -> bytes:
    import typst

    files = {name: text.encode() for name, text in paper.templates.items()} | {"main.typ": page.encode()}
    made: bytes = typst.compile(
        files, font_paths=_fonts(paper.font_folder), sys_inputs={"data": json.dumps(data, allow_nan=False)}, **how
    )
    return made


@lru_cache(maxsize=4)
def _fonts(folder: str) -> Any:
    import typst

    return typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=[folder])
