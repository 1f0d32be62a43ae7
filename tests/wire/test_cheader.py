"""The firmware's header is what the catalogue gives."""

from pathlib import Path

from benchctl.wire import catalogue
from benchctl.wire.cheader import header

HEADER = Path(__file__).parents[2] / "firmware_probe" / "catalogue.h"


def test_header_is_current():
    """`make catalogue` in firmware_probe brings it up to date."""
    assert HEADER.read_text() == header()


def test_every_message_has_its_number_in_the_header():
    text = HEADER.read_text()
    for message in catalogue.MESSAGES:
        assert f"#define MSG_{message.name.upper()} 0x{message.number:02X}\n" in text


def test_every_request_has_a_row_in_the_dispatch_table():
    """A request that the table does not know would be refused as unknown."""
    table = (HEADER.parent / "handlers.h").read_text()
    requests = [m.name for m in catalogue.MESSAGES if m.direction is catalogue.Direction.REQUEST]

    assert [name for name in requests if f"ROW({name.upper()}," not in table] == []
