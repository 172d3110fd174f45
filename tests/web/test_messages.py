"""The types that pages are checked against are those of the wire."""

from tests.web.generate_messages import MESSAGES, messages_js


def test_the_types_of_the_pages_are_made_from_the_wire_as_it_is() -> None:
    stale = "stale: run python -m tests.web.generate_messages"
    assert MESSAGES.read_text("utf-8") == messages_js(), stale
