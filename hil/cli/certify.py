"""``hil certify``: the certificate of a recorded run: the first one, an identical copy, or an amendment."""

import argparse
from pathlib import Path
from typing import Any

from hil.cli.options import add_settings, settings_from


def register(commands: Any) -> None:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "certify",
        help="the certificate of a recorded run, an identical copy or an amendment",
        description="Write the certificate of a recorded run as PDF, JSON and XML. A certificate that was issued "
        "before is copied identically; --amend issues a changed one with a number of its own.",
    )
    parser.add_argument("run", metavar="RUN", help="a run, the beginning of one, or a serial number (its latest run)")
    parser.add_argument("--amend", default="", metavar="REASON", help="issue an amendment, and why")
    parser.add_argument(
        "--authorised-by", default="", metavar="NAME", help="who authorises it, instead of the usual one"
    )
    parser.add_argument("--to", default="", metavar="FOLDER", help="where the files go (default: the run's own folder)")
    parser.add_argument("--simulated", action="store_true", help="look into the record of simulated runs")
    parser.add_argument(
        "--check",
        default="",
        metavar="FILE",
        help="hold a certificate file against the record instead; 0 genuine, 1 not",
    )
    signing = parser.add_argument_group("signature (needs the extra 'signatures')")
    signing.add_argument("--sign", default="", metavar="FILE", help="sign the PDF with this PKCS #12 file")
    signing.add_argument(
        "--passphrase-file", default="", metavar="FILE", help="its passphrase; default: asked at the terminal"
    )
    signing.add_argument(
        "--trust", action="append", default=[], metavar="FILE", help="certificate trusted by --check; repeatable"
    )
    add_settings(parser, "out", "records")


def run(options: argparse.Namespace) -> int:
    """Write the files and name them, or check one; 0, or 1 for a file that is not genuine."""
    from hil.app.certify import certify, check_file
    from hil.app.records_at import existing_record
    from hil.real.wallclock import WallClock
    from hil.store.sqlite_store import open_store

    settings = settings_from(options)
    where = existing_record(settings, simulated=options.simulated)
    sign = _signer(options) if options.sign else None
    with open_store(where, read_only=bool(options.check)) as store:
        found = store.run(store.find_run(options.run))
        if options.check:
            is_genuine, said = check_file(Path(options.check), found, store, [Path(root) for root in options.trust])
            print(f"{options.check}: {said}")
            return 0 if is_genuine else 1
        folder = Path(options.to) if options.to else settings.out / found.opened.serial / found.opened.run
        issue = certify(
            found,
            store,
            folder,
            now=WallClock().now(),
            amend=options.amend,
            authorised_by=options.authorised_by,
            sign=sign,
        )
    certificate = issue.certificate
    what = "copy of certificate" if issue.is_copy else "amendment" if certificate.predecessor else "certificate"
    mark = "SIMULATED: " if certificate.simulated else ""
    print(f"{mark}{what} {certificate.number}: {certificate.verdict}. {certificate.headline}")
    for path in issue.paths:
        print(f"  {path}")
    return 0


def _signer(options: argparse.Namespace) -> Any:
    from getpass import getpass

    from hil.app.locate import read_text
    from hil.app.sign import pdf_signer

    key = Path(options.sign)
    if options.passphrase_file:
        passphrase = read_text(Path(options.passphrase_file)).rstrip("\n")
    else:
        passphrase = getpass(f"Passphrase of {key}: ")
    return pdf_signer(key, passphrase)
