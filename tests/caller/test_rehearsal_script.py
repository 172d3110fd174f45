"""Scenarios from TOML: what is read, and one sentence for everything that can't be."""

import contextlib
import re
from dataclasses import fields
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from caller.course import Course, Terrain, course_from_profile
from caller.errors import FileRefused, ScenarioRefused
from caller.plan import RaceRules
from caller.rehearsal import Scenario, read_scenario, scenario_schema
from caller.rehearsal.keys import EVENT_KINDS, RULE_KEYS
from caller.rehearsal.scenario import AfterTurns, AtPlace, AtTime, LosesWheel, OnTurn, RejoinsEarly
from server.wire.base import RiderKey
from tests.caller.rehearsing import event, small_text

DEMO = Path(__file__).parents[2] / "scenarios" / "demo.toml"


def read(text: str) -> Scenario:
    return read_scenario(text, called="evening.toml")


def refusal(text: str) -> str:
    with pytest.raises(ScenarioRefused) as refused:
        read(text)
    return str(refused.value)


# What is read


def test_a_scenario_holds_what_its_text_says() -> None:
    scenario = read(
        small_text(
            event("rejoins_early", 'rider = "otto", turn = 2, after_s = 3', 'rider = "otto"', "slot = 2")
            + event("loses_wheel", "at_m = 4000", 'rider = "ines"', "back_after_s = 30")
        )
    )
    assert [rider.name for rider in scenario.roster.riders] == ["Otto", "Maya", "Felix", "Ines"]
    assert scenario.rules.counted == 3
    assert scenario.course.length_m == 6_000
    assert [landmark.name for landmark in scenario.course.landmarks] == ["bridge"]
    assert scenario.events[0].when == OnTurn(rider="otto", turn=2, after_s=3.0)
    assert scenario.events[0].what == RejoinsEarly(rider="otto", slot=2)
    assert scenario.events[1].when == AtPlace(at_m=4_000)
    assert scenario.events[1].what == LosesWheel(rider="ines", back_after_s=30.0)


@pytest.mark.parametrize(("name", "key"), [("Inès", "ines"), ("Ines Maria", "ines-maria"), ("伊内丝", "rider")])
def test_a_rider_gets_a_key_that_can_be_tapped_whatever_the_name(name: str, key: str) -> None:
    scenario = read(small_text("").replace('name = "Ines"', f'name = "{name}"'))
    rider = scenario.roster.riders[3]
    assert (rider.name, rider.id) == (name, key)
    assert TypeAdapter(RiderKey).validate_python(rider.id) == key


@pytest.mark.parametrize(("line", "where"), [("seed = 3", "seed"), ("counted = 3", "rules, counted")])
def test_a_whole_number_of_hundreds_of_digits_is_refused_by_its_place(line: str, where: str) -> None:
    text = small_text("")
    huge = f"{line.partition(' = ')[0]} = 1{'0' * 400}"
    said = refusal(text.replace(line, huge) if line in text else f"{huge}\n{text}")
    assert where in said
    assert "more than 1e+308" in said


@pytest.mark.parametrize(
    ("when", "made"),
    [("at_s = 3", AtTime(at_s=3)), ("at_m = 3", AtPlace(at_m=3)), ("turns = 3", AfterTurns(turns=3))],
)
def test_when_has_several_forms(when: str, made: object) -> None:
    assert read(small_text(event("bunching", when))).events[0].when == made


def test_the_demo_has_a_flat_a_climb_and_a_descent() -> None:
    scenario = read(DEMO.read_text("utf-8"))
    assert {stretch.terrain for stretch in scenario.course.stretches} == set(Terrain)
    assert 4 <= len(scenario.roster.riders) <= 5
    assert scenario.rules.counted == 4


def test_stretches_that_nobody_named_are_found_in_the_profile() -> None:
    hill = "[[0, 0], [2000, 0], [4000, 120], [6000, 120]]"
    text = small_text(profile=hill).replace('stretches = [{ name = "flat 1", terrain = "flat", start_m = 0 }]', "")
    assert Terrain.CLIMB in {stretch.terrain for stretch in read(text).course.stretches}


def test_the_course_may_lie_in_a_file_beside_the_scenario() -> None:
    asked = []

    def beside(name: str) -> Course:
        asked.append(name)
        return course_from_profile(name="from a file", distance_m=(0, 5_000), height_m=(1, 1))

    scenario = read_scenario(with_course('file = "round the lake.gpx"'), course_beside=beside)
    assert scenario.course.name == "from a file"
    assert asked == ["round the lake.gpx"]


def with_course(keys: str) -> str:
    text = small_text()
    begin, end = text.index('name = "a straight road"'), text.index("[[riders]]")
    return f"{text[:begin]}{keys}\n{text[end:]}"


# What is refused: the exact sentences


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            'title = "small"',
            "title = 3",
            ", title: found 3; expected 1 to 80 printable characters",
        ),
        (
            'title = "small"',
            'titel = "small"',
            (
                ": found the unknown key 'titel'; expected only title, about, countdown_s, seed, plan, course, riders,"
                " rules, people, events"
            ),
        ),
        (
            'title = "small"\n',
            "",
            ": found no title; expected title: as shown in the list of rehearsals",
        ),
        ("seed = 3", "seed = 3.5", ", seed: found 3.5; expected a whole number from 0 to 2147483647"),
        ("seed = 3", "seed = true", ", seed: found True; expected a whole number from 0 to 2147483647"),
        ("seed = 3", "seed = -1", ", seed: found -1; expected a whole number from 0 to 2147483647"),
        (
            "counted = 3",
            "counted = 5",
            ", rules, counted: found 5; expected at most 4, the number of riders",
        ),
        (
            "humidity = 0.5",
            "humidity = nan",
            ", rules, humidity: found nan; expected a number",
        ),
        (
            "humidity = 0.5",
            "humidity = 50",
            ", race rules, humidity: found 50; expected 0 to 1; 50 looks like per cent: 0.5",
        ),
        (
            "critical_power_w = 310",
            "critical_power_w = 4.3",
            (
                ", rider Otto, critical power: found 4.3 W; expected 80 to 550 W (give watts, not watts per kilogram;"
                " 4.3 looks like W/kg)"
            ),
        ),
        (
            'name = "Maya"',
            'name = "Otto"',
            ", roster, name: found 'otto' twice; each rider needs one of their own",
        ),
        (
            "at_m = 2000",
            "at_m = 9000",
            ", landmark bridge: found 9000 m; expected a place between the start and the finish at 6000 m",
        ),
        (
            "start_m = 0",
            "start_m = 5",
            ", stretch 1: found a start at 5 m; expected the first to start at 0 m",
        ),
        (
            'terrain = "flat"',
            'terrain = "uphill"',
            ", stretch 1, terrain: found 'uphill'; expected one of flat, climb, descent",
        ),
        (
            "[[0, 20], [6000, 20]]",
            "[[0, 20], [6000]]",
            ", course, profile, mark 2: found a list of 1; expected [distance, height] in metres",
        ),
        (
            "[[0, 20], [6000, 20]]",
            "[[0, 20], [1500, 700], [6000, 20]]",
            (
                ", a straight road, at 0.00 km: found a grade of 45 % after smoothing over 100 m; expected at"
                " most 35 %; mend the heights there"
            ),
        ),
        (
            "[[0, 20], [6000, 20]]",
            "[[0, 20], [6000, 20], [5000, 20]]",
            (
                ", a straight road, row 3: found distance 5000 m after 6000 m; expected distances that grow"
                " from row to row"
            ),
        ),
        (
            "[people]",
            "[people]\nreaction_s = 9",
            (", people, reaction_s: found 9; expected a number from 0.1 to 3"),
        ),
    ],
)
def test_what_cannot_be_used_is_refused_in_one_sentence(old: str, new: str, sentence: str) -> None:
    text = small_text()
    assert old in text
    assert refusal(text.replace(old, new, 1)) == f"evening.toml{sentence}"


def test_what_is_no_toml_is_refused_by_line_and_column() -> None:
    text = small_text().replace("seed = 3", "seed = ")
    assert re.fullmatch(r"evening\.toml, line 4, column \d+: found '.+'; expected TOML", refusal(text))


@pytest.mark.parametrize(
    ("script", "sentence"),
    [
        (
            '[[events]]\nwhen = { at_s = 3 }\nrider = "otto"',
            ", event 1: found no what; expected one of " + ", ".join(EVENT_KINDS),
        ),
        (
            event("crashes", "at_s = 3"),
            ", event 1, what: found 'crashes'; expected one of " + ", ".join(EVENT_KINDS),
        ),
        (
            '[[events]]\nwhat = "bunching"',
            (", event 1 (bunching): found no when; expected a table with at_s, or at_m, or rider and turn, or turns"),
        ),
        (
            event("bunching", "at = 3"),
            (
                ", event 1 (bunching), when: found {'at': 3}; expected a table with at_s, or at_m, or rider and"
                " turn, or turns"
            ),
        ),
        (
            event("bunching", "at_s = 3, at_m = 4"),
            ", event 1 (bunching), when: found the unknown key 'at_m'; expected only at_s",
        ),
        (
            event("feels_good", "at_s = 3", 'rider = "karl"'),
            ", event 1 (feels_good), rider: found 'karl'; expected one of otto, maya, felix, ines",
        ),
        (
            event("feels_good", "at_s = 3"),
            ", event 1 (feels_good): found no rider; expected rider: who says so",
        ),
        (
            event("feels_good", "at_s = 3", 'rider = "otto"', "slot = 2"),
            ", event 1 (feels_good): found the unknown key 'slot'; expected only what, when, rider",
        ),
        (
            event("rejoins_early", "at_s = 3", 'rider = "otto"', "slot = 4"),
            ", event 1, slot: found 4; expected 1 to 3: the line has 4 riders",
        ),
        (
            event("bunching", "at_m = 6000"),
            ", event 1, when, at_m: found 6000; expected less than the course's 6000 m",
        ),
        (
            event("landmark_late", "at_s = 3", 'landmark = "mill"', "late_s = 2"),
            ", event 1 (landmark_late), landmark: found 'mill'; expected one of bridge",
        ),
        (
            event("director_calls", "at_s = 3", 'aloud = "hurry"'),
            (", event 1 (director_calls), aloud: found 'hurry'; expected one of stop, ease, lift, press_on, all_in"),
        ),
        (
            "events = 3",
            (", people: found the unknown key 'events'; expected only reaction_s, reaction_spread_s, misses, noise_w"),
        ),
    ],
)
def test_a_script_that_cannot_be_followed_is_refused_in_one_sentence(script: str, sentence: str) -> None:
    assert refusal(small_text(script)) == f"evening.toml{sentence}"


@pytest.mark.parametrize(
    ("keys", "sentence"),
    [
        (
            'file = "../../secret.gpx"',
            "course, file: found '../../secret.gpx'; expected the plain name of a file beside the scenario",
        ),
        (
            'file = "/etc/passwd"',
            "course, file: found '/etc/passwd'; expected the plain name of a file beside the scenario",
        ),
        (
            'file = "lake.gpx"\nname = "lake"',
            "course: found file beside name; expected either file, or name and profile",
        ),
        ('name = "lake"', "course: found no profile; expected either file, or name and profile"),
        (
            'file = "lake.gpx"',
            "course, file: found 'lake.gpx'; there are no files beside this scenario; draw the profile",
        ),
    ],
)
def test_a_course_that_cannot_be_had_is_refused_in_one_sentence(keys: str, sentence: str) -> None:
    assert refusal(with_course(keys)) == f"evening.toml, {sentence}"


def test_a_bad_course_file_is_the_scenarios_fault_by_its_name() -> None:
    def beside(name: str) -> Course:
        raise FileRefused(name, "", "nothing", "expected a course")

    with pytest.raises(ScenarioRefused, match=r"^scenario, course file lake\.gpx: found nothing; expected a course$"):
        read_scenario(with_course('file = "lake.gpx"'), course_beside=beside)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "\x00",
        "[" * 100_000,
        "a = " + "[" * 5_000,
        "a = " + "9" * 5_000,
        "[[riders]]\n" * 10_000,
        "x" * 1_000_001,
        "title = 1979-05-27",
        "riders = [1, 2]\ncourse = 3\n",
    ],
)
def test_hostile_text_is_refused_like_any_other(text: str) -> None:
    assert refusal(text).startswith("evening.toml")


@given(st.text(max_size=300))
def test_no_text_is_more_than_refused(noise: str) -> None:
    text = small_text(event("feels_good", "at_s = 3", 'rider = "otto"'))
    for place in (0, len(text) // 2, len(text)):
        with contextlib.suppress(ScenarioRefused):
            read(text[:place] + noise + text[place:])


# The schema


def test_every_rule_of_a_race_can_be_written() -> None:
    assert {key.name for key in RULE_KEYS} == {rule.name for rule in fields(RaceRules)}


def test_the_schema_has_every_kind_of_event_and_forbids_the_rest() -> None:
    schema = scenario_schema()
    events = schema["properties"]["events"]["items"]["oneOf"]  # type: ignore[index]
    assert [one["properties"]["what"]["const"] for one in events] == list(EVENT_KINDS)
    assert all(one["additionalProperties"] is False and one["description"] for one in events)
    assert schema["required"] == ["title", "about", "course", "riders"]
