"""server/wire/errors.py: one table from what went wrong to what is told."""

import pytest

from caller import errors
from caller.errors import CallerError
from server.wire.errors import (
    OUR_FAULT,
    AlreadySo,
    NotAllowed,
    NotKnown,
    NotStored,
    NotThese,
    NotUnderstood,
    NotYet,
    ServerRefused,
    TooLarge,
    TooLate,
    TooMany,
    TooOften,
    Unexpected,
    cut,
    problem_of,
    sentence_of,
)

REFUSAL = ("roster line 4", "critical power", "4000 W", "expected 100 to 600")
SENTENCE = "roster line 4, critical power: found 4000 W; expected 100 to 600"


@pytest.mark.parametrize(
    ("error", "status", "close", "code", "sentence"),
    [
        (errors.FileRefused(*REFUSAL), 422, 1008, "file_refused", SENTENCE),
        (errors.RosterRefused(*REFUSAL), 422, 1008, "roster_refused", SENTENCE),
        (errors.RulesRefused(*REFUSAL), 422, 1008, "rules_refused", SENTENCE),
        (errors.PlanRefused(*REFUSAL), 422, 1008, "plan_refused", SENTENCE),
        (errors.ScenarioRefused(*REFUSAL), 422, 1008, "scenario_refused", SENTENCE),
        (errors.LogRefused(*REFUSAL), 500, 1011, "log_refused", SENTENCE),
        (
            errors.RequestRefused("undo", "nothing to take back"),
            409,
            1008,
            "request_refused",
            "undo: nothing to take back",
        ),
        (
            errors.NoPlan("Jo's reserve on climb 1", "1.2 kJ", "ride it slower"),
            422,
            1008,
            "no_plan",
            "Jo's reserve on climb 1, short by 1.2 kJ; ride it slower",
        ),
        (NotKnown("x"), 404, 4404, "not_known", "x"),
        (NotAllowed("x"), 403, 4403, "not_allowed", "x"),
        (NotThese("x"), 421, 4403, "not_these", "x"),
        (AlreadySo("x"), 409, 4409, "already_so", "x"),
        (NotYet("x"), 409, 4409, "not_yet", "x"),
        (TooLarge("x"), 413, 1009, "too_large", "x"),
        (TooLate("x"), 408, 4408, "too_late", "x"),
        (TooOften("x"), 429, 4429, "too_often", "x"),
        (TooMany("x"), 503, 1013, "too_many", "x"),
        (NotUnderstood("x"), 400, 1007, "not_understood", "x"),
        (NotStored("x"), 503, 1011, "not_stored", "x"),
        (Unexpected("x"), 500, 1011, "our_fault", OUR_FAULT),
        (ZeroDivisionError("secrets"), 500, 1011, "our_fault", OUR_FAULT),
    ],
    ids=lambda value: type(value).__name__ if isinstance(value, Exception) else "",
)
def test_each_error_has_its_status_close_code_name_and_sentence(
    error: Exception, status: int, close: int, code: str, sentence: str
) -> None:
    problem = problem_of(error)
    assert (problem.status, problem.close, problem.code, problem.sentence) == (status, close, code, sentence)


def _all_below(kind: type[Exception]) -> set[type[Exception]]:
    return {kind for sub in kind.__subclasses__() for kind in (sub, *_all_below(sub))}


def test_no_refusal_is_told_as_our_fault() -> None:
    ours = [
        kind
        for kind in _all_below(CallerError) | _all_below(ServerRefused)
        if kind.__module__.startswith(("caller", "server"))
    ]
    assert len(ours) > 15
    for kind in ours:
        words = {errors.RequestRefused: 2, errors.NoPlan: 3}.get(kind, 4 if issubclass(kind, errors.Refused) else 1)
        problem = problem_of(kind(*REFUSAL[:words]))
        assert problem.code != "our_fault", f"{kind.__name__} has no row in the table"


def test_a_page_may_come_back_after_every_close_but_those_that_say_it_is_no_use() -> None:
    """Pages give up at 1008, 4401, 4403 and 4404 (web/lib/socket.js): nothing that passes may close with these."""
    for error in (AlreadySo("x"), NotYet("x"), TooLate("x"), TooOften("x"), TooMany("x"), NotStored("x"), OSError()):
        assert problem_of(error).close not in (1008, 4401, 4403, 4404)


def test_a_long_or_unprintable_sentence_is_cut_to_one_line() -> None:
    assert cut("a\nb\x00c", 10) == "a b c"
    assert cut("x" * 50, 10) == "x" * 9 + "…"
    assert len(problem_of(NotKnown("y" * 5_000)).sentence) == 400


def test_findings_become_where_what_and_how_many_more() -> None:
    found = [
        {"type": "missing", "loc": ("body", 0, "mass_kg"), "msg": "Field required", "input": {}},
        {"type": "x", "loc": ("body",), "msg": "Other", "input": 1},
    ]
    assert sentence_of(found) == "0.mass_kg: field required (and 1 more)"
    assert sentence_of(found[1:]) == "message: other, found 1"
