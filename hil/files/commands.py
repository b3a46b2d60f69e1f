"""Command sets: text -> `hil.wire.instrument.CommandSet`, how one kind of SCPI instrument is spoken to.

format = 1
commands = "scpi_supply"
kind = "supply"                          # supply voltmeter counter generator thermometer selector
start = "*RST;*CLS"                      # sent once after opening; default "*RST;*CLS", "" for nothing
acknowledge = ";*OPC?;:SYST:ERR?"        # put behind every command; answers are 1 and entries of the error queue
identify = "*IDN?"                       # question for the identity
[verb.set]                               # the verbs of the kind, see hil.wire.instrument.VERBS
send = "VOLT {voltage_v:.4f};CURR {current_limit_a:.5f}"    # names in braces are replaced, in unprefixed SI units
[verb.voltage_v]
send = "MEAS:VOLT?"
answer = "number"                        # number, flag (0, 1, OFF, ON) or none; default none
scale = 1.0                              # an answered number is multiplied by it
bit = 1                                  # the flag is this bit of an answered register
time = "100 ms"                          # how long it takes at most, besides timeout and gate
"""

from hil.files.located import Table, parse_document
from hil.wire.instrument import ANSWERS, VERBS, CommandSet, Verb

KEYS = ("format", "commands", "kind", "start", "acknowledge", "identify", "verb")
VERB_KEYS = ("send", "answer", "scale", "bit", "time")


def parse_commands(label: str, text: str) -> CommandSet:
    """Read a command set.

    Args:
        label: the file as the user named it, for messages.
        text: its content.

    Raises:
        FileError: anything wrong, with line, key and remedy.
    """
    document = parse_document(label, text)
    document.only(KEYS)
    kind = str(document.choice("kind", tuple(VERBS)))
    verbs = {}
    for name, table in document.tables("verb"):
        document.table("verb").only(tuple(VERBS[kind]))
        verbs[name] = _verb(table)
    try:
        return CommandSet(
            name=document.text("commands"),
            kind=kind,
            verbs=verbs,
            start=document.text("start", "*RST;*CLS"),
            acknowledge=document.text("acknowledge", ";*OPC?;:SYST:ERR?"),
            identify=document.text("identify", "*IDN?"),
            file=label,
        )
    except ValueError as problem:
        raise document.error("verb", f"{problem}.") from None


def _verb(table: Table) -> Verb:
    table.only(VERB_KEYS)
    try:
        return Verb(
            send=table.text("send"),
            answer=str(table.choice("answer", ANSWERS, "none")),
            scale=table.number("scale", 1.0),
            bit=table.integer("bit", None, minimum=0),
            seconds=table.quantity("time", "s", 0.0, minimum=0.0),
        )
    except ValueError as problem:
        raise table.error(None, f"{problem}.") from None
