"""server/auth.py: tickets, codes, who may say what, how often."""

import hashlib
import hmac
from base64 import urlsafe_b64encode
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from caller.units import RiderId
from server.auth import (
    CODE_ALPHABET,
    DIRECTOR,
    Allowance,
    Allowances,
    Role,
    Seat,
    Tickets,
    join_code,
    read_secret,
    why_not,
)
from server.wire.inbound import RIDER_ACTS

MAYA, OTTO = (Seat(role=Role.RIDER, rider=RiderId(rider)) for rider in ("maya", "otto"))


def test_a_ticket_is_the_hmac_it_is_said_to_be() -> None:
    """Against Python's own HMAC-SHA-256 (RFC 2104, FIPS 180-4), worked out here by hand."""
    said = hmac.new(b"s" * 32, b"salt" + b"swingoff ticket 1\nABCDEF\nrider:maya\n0", hashlib.sha256).digest()
    assert Tickets(b"s" * 32).of("ABCDEF", b"salt", MAYA, 0) == urlsafe_b64encode(said).decode()[:32]


def test_a_ticket_opens_its_own_seat_and_no_other() -> None:
    tickets = Tickets(b"s" * 32)
    seats = [(DIRECTOR, 0), (MAYA, 0), (OTTO, 0)]
    for seat, generation in seats:
        assert tickets.seat("ABCDEF", b"salt", seats, tickets.of("ABCDEF", b"salt", seat, generation)) == seat


@pytest.mark.parametrize(
    ("secret", "code", "salt", "generation"),
    [
        (b"t" * 32, "ABCDEF", b"salt", 0),
        (b"s" * 32, "ABCDEG", b"salt", 0),
        (b"s" * 32, "ABCDEF", b"tlas", 0),
        (b"s" * 32, "ABCDEF", b"salt", 1),
    ],
    ids=["another server's", "another race's", "another salt's", "renewed since"],
)
def test_another_ticket_opens_nothing(secret: bytes, code: str, salt: bytes, generation: int) -> None:
    ticket = Tickets(secret).of(code, salt, MAYA, generation)
    assert Tickets(b"s" * 32).seat("ABCDEF", b"salt", [(DIRECTOR, 0), (MAYA, 0)], ticket) is None


@given(st.text(max_size=100))
def test_whatever_is_given_as_a_ticket_opens_nothing_and_breaks_nothing(ticket: str) -> None:
    assert Tickets(b"s" * 32).seat("ABCDEF", b"salt", [(DIRECTOR, 0), (MAYA, 0)], ticket) is None


def test_the_secret_is_made_once_and_nobody_else_may_read_it(tmp_path: Path) -> None:
    secret = read_secret(tmp_path / "secret")
    assert len(secret) == 32
    assert read_secret(tmp_path / "secret") == secret
    assert read_secret(tmp_path / "other") != secret
    assert (tmp_path / "secret").stat().st_mode & 0o077 == 0


def test_a_secret_cut_short_is_not_used(tmp_path: Path) -> None:
    (tmp_path / "secret").write_bytes(b"short")
    with pytest.raises(OSError, match="cut short"):
        read_secret(tmp_path / "secret")


def test_codes_are_six_characters_that_are_not_mistaken_for_each_other() -> None:
    assert not set(CODE_ALPHABET) & set("0O1ILU")
    codes = {join_code() for _ in range(500)}
    assert len(codes) > 490
    assert all(len(code) == 6 and set(code) <= set(CODE_ALPHABET) for code in codes)


def test_a_rider_may_say_a_riders_acts_of_that_rider_alone() -> None:
    for act in RIDER_ACTS:
        assert why_not(MAYA, act, "maya", RIDER_ACTS) is None
        assert why_not(MAYA, act, "otto", RIDER_ACTS) == "a rider's link can speak of that rider only"
        assert why_not(MAYA, act, None, RIDER_ACTS) is not None
    assert why_not(MAYA, "set_start", None, RIDER_ACTS) == (
        "a rider's link cannot say set start; the director's link can"
    )


def test_a_director_may_say_anything() -> None:
    assert why_not(DIRECTOR, "set_start", None, RIDER_ACTS) is None
    assert why_not(DIRECTOR, "swung_off", "maya", RIDER_ACTS) is None


def test_an_allowance_gives_so_many_at_once_and_so_many_in_the_long_run() -> None:
    allowance = Allowance(per_s=2, burst=3, now_ms=0)
    assert [allowance.take(0) for _ in range(4)] == [True, True, True, False]
    assert not allowance.take(499)  # half a second fills one: 2 a second
    assert allowance.take(500)
    assert [allowance.take(100_000) for _ in range(4)] == [True, True, True, False]


def test_one_that_asks_too_often_takes_nothing_from_another() -> None:
    allowances = Allowances(per_min=60, burst=1)
    assert allowances.take("here", 0)
    assert not allowances.take("here", 0)
    assert allowances.take("there", 0)
    assert allowances.take("here", 1_000)
