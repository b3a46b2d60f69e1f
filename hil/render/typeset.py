"""A certificate on paper: data and template text in, PDF/A out. Same data, same bytes.

typst does the page; it reads the fonts from the folder it is given and nothing else, and downloads nothing. Text of
the template is data too (``reports/certificate.typ``).
"""

import json
from datetime import UTC, datetime
from functools import lru_cache
from io import BytesIO
from typing import Any

from hil.render.certificate import Certificate
from hil.render.plots import error_svg

STANDARD = "a-3b"


def typeset(certificate: Certificate, template: str, *, font_folder: str, plot: str = "") -> bytes:
    """The certificate as PDF/A-3b.

    Args:
        template: text of ``reports/certificate.typ``.
        font_folder: where the fonts of the template lie.
        plot: SVG of the errors, when it was drawn already.
    """
    import typst

    data = certificate.as_json()
    data["plot_svg"] = plot or error_svg(certificate.points, simulated=certificate.simulated)
    data["qr_svg"] = qr_svg(certificate.seal)
    issued = datetime.fromisoformat(certificate.issued[:10]).replace(tzinfo=UTC)
    pdf: bytes = typst.compile(
        template.encode(),
        font_paths=_fonts(font_folder),
        sys_inputs={"certificate": json.dumps(data, allow_nan=False)},
        pdf_standards=[STANDARD],
        timestamp=int(issued.timestamp()),
    )
    return pdf


@lru_cache(maxsize=4)
def _fonts(folder: str) -> Any:
    import typst

    return typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=[folder])


def qr_svg(text: str) -> str:
    """A QR code as SVG text."""
    import segno

    out = BytesIO()
    segno.make(text, error="m").save(out, kind="svg", border=0, xmldecl=False, svgns=True)
    return out.getvalue().decode()
