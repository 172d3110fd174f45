"""server/wire/report.py: a plan as the command prints it."""

from dataclasses import replace

from caller.plan import Effect
from server.runner.draft import roster_of
from server.wire.report import PlanReport, plan_report, plan_text
from tests.server.serving import ready_draft

EFFECTS = (
    Effect(key="unequal", words="longer turns for some", otherwise="equal", other_s=800.0, gain_s=5.14, tells=True),
    Effect(key="form", words="to remember", otherwise="to the second", other_s=700.0, gain_s=-3.2, tells=True),
    Effect(key="climbs", words="other turns uphill", otherwise="the same", other_s=794.9, gain_s=0.04, tells=False),
    Effect(key="as_listed", words="this order", otherwise="as listed", other_s=None, gain_s=None, tells=True),
)


def test_each_effect_is_told_as_what_it_buys_costs_or_cannot_tell() -> None:
    draft = ready_draft()
    assert draft.plan is not None
    text = plan_text(draft.plan, roster_of(draft), EFFECTS).splitlines()[-4:]
    assert text == [
        "longer turns for some (not equal): buys 5.1 s",
        "to remember (not to the second): costs 3.2 s",
        "other turns uphill (not the same): too little to tell, +0.0 s",
        "this order (not as listed): without it nobody holds",
    ]
    report = plan_report(draft.plan, roster_of(draft), EFFECTS)
    assert report.effects is not None
    assert [effect.gain_s for effect in report.effects] == [5.14, -3.2, 0.04, None]
    assert PlanReport.model_validate_json(report.model_dump_json()) == report


def test_who_is_spent_is_told_with_the_place_or_by_the_finish() -> None:
    draft = ready_draft()
    assert draft.plan is not None
    first, second = draft.plan.order[:2]
    plan = replace(draft.plan, spent=((first, 6_000.0), (second, 8_990.0)))
    text = plan_text(plan, roster_of(draft))
    assert "; spent, lets the line go from 6.0 km on" in text
    assert "; spent by the finish" in text
    assert [one.at_m for one in plan_report(plan, roster_of(draft)).spent] == [6_000.0, 8_990.0]
