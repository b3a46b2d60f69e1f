"""Programming by the bench's external command; only in scopes that ask for it."""

from hil import check


@check(reads="programmed", needs="supply programmer", after="rail_*", seconds=15)
def test_programming(row, power, programmer, image, facts, judge):
    """The command says whether it worked; the unit starts anew afterwards. The image's SHA-256 goes on record."""
    facts["image"] = image
    facts["image_sha256"] = programmer.program(image)
    power.off()
    power.on()
    judge(row, True, notes=(f"SHA-256 of the image: {facts['image_sha256']}",))
