"""Figures mistaken, missing or absurd: by the command and over HTTP, one sentence that names field, found and allowed,
or a right answer. Never a traceback, never a figure quietly changed.
"""

import json
import math
import sys
from pathlib import Path
from typing import Any

import pytest

from server import __main__ as command
from tests.server.serving import RIDERS, arena, faults

Change = dict[str, Any]
LINE: dict[str, list[list[float]]] = {"profile": [[0, 10], [5_000, 20], [9_000, 10]]}
USUAL: Change = {"mass_kg": 70, "critical_power_w": 300, "w_prime_j": 20_000, "drag_area_m2": 0.24}

REFUSED: list[tuple[str, Change, str]] = [
    ("W/kg", {"critical_power_w": 4.2}, "critical power: found 4.2 W; expected 80 to 550 W"),
    ("W/kg", {"critical_power_w": 4.2}, "4.2 looks like W/kg"),
    ("kW", {"critical_power_w": 0.3}, "0.3 looks like kW: 300 W"),
    ("kJ", {"w_prime_j": 20}, "W′: found 20 J; expected 3000 to 45000 J"),
    ("kJ", {"w_prime_j": 20}, "20 looks like kJ: 20000 J"),
    ("J/kg", {"w_prime_j": 285}, "285 looks like J/kg"),
    ("pounds", {"mass_kg": 165}, "body mass: found 165 kg; expected 35 to 150 kg"),
    ("pounds", {"mass_kg": 165}, "165 looks like pounds: 74.84 kg"),
    ("grams", {"mass_kg": 70_000}, "70000 looks like grams: 70 kg"),
    ("cm²", {"drag_area_m2": 2_400}, "2400 looks like cm²: 0.24 m²"),
    ("negative", {"critical_power_w": -300}, "critical power: found -300 W; expected 80 to 550 W"),
    ("nothing", {"mass_kg": 0}, "body mass: found 0 kg; expected 35 to 150 kg"),
    ("per cent", {"rules": {"reserve_margin": 10}}, "reserve margin: found 10; expected 0 to 0.5"),
    ("per cent", {"rules": {"reserve_margin": 10}}, "10 looks like per cent: 0.1"),
    ("per cent", {"rules": {"shelter_efficiency": 90}}, "90 looks like per cent: 0.9"),
    ("per cent", {"rules": {"shelter_table": [100, 60, 50]}}, "slot 1: found 100; expected 0.1 to 1.2"),
    ("km/h", {"rules": {"wind_mps": 36}}, "found 36; expected -15 to 15 m/s; 36 looks like km/h: 10 m/s"),
    ("storm", {"rules": {"wind_mps": -90}}, "found -90; expected -15 to 15 m/s"),
    ("°F", {"rules": {"temperature_c": 72}}, "72 looks like °F: 22.22 °C"),
    ("K", {"rules": {"temperature_c": 291}}, "291 looks like K: 17.85 °C"),
    ("Pa", {"rules": {"pressure_hpa": 101_325}}, "101325 looks like Pa: 1013 hPa"),
    ("ms", {"rules": {"longest_turn_s": 30_000}}, "30000 looks like milliseconds: 30 s"),
    ("no wheel", {"rules": {"shelter_table": []}}, "shelter table: found 0 slots; expected 2 to 10"),
    (
        "turned round",
        {"rules": {"shortest_turn_s": 60, "longest_turn_s": 30}},
        "expected at most the longest turn, 30 s",
    ),
    ("no such model", {"rules": {"recovery": "hope"}}, "recovery: found 'hope'; expected one of differential-2015"),
    ("nobody counts", {"rules": {"counted": 0}}, "counted: found 0; expected 1 to 10 riders"),
    ("beyond the riders", {"rules": {"counted": 9}}, "counted: found 9"),
    ("one rider", {"riders": 1}, "expected 2 to 10"),
    ("nobody", {"riders": 0}, "riders"),
    ("eleven", {"riders": 11}, "expected 2 to 10"),
    ("a wall", {"profile": [[0, 10], [2_000, 10], [3_000, 410], [6_000, 410]]}, "a grade of 40 % after smoothing"),
    ("a wall", {"profile": [[0, 10], [2_000, 10], [3_000, 410], [6_000, 410]]}, "expected at most 35 %"),
    ("kilometres", {"profile": [[0, 10], [9, 20]]}, "if the distances are kilometres"),
    ("too far", {"profile": [[0, 10], [500_000, 20]]}, "400"),
    ("backwards", {"profile": [[0, 10], [4_000, 10], [3_000, 10]]}, " 3: found distance 3000 m after 4000 m"),
    ("space", {"profile": [[0, 10], [4_000, 90_000], [8_000, 10]]}, "found"),
]
"""What is put in, and what the refusal says. Ranges are our own; the usual mistakes are common practice, no source."""

NO_NUMBERS = [
    {"critical_power_w": math.nan},
    {"w_prime_j": math.inf},
    {"mass_kg": -math.inf},
    {"critical_power_w": 10**400},
    {"critical_power_w": "three hundred"},
    {"critical_power_w": True},
    {"critical_power_w": None},
    {"rules": {"wind_mps": math.nan}},
    {"rules": {"counted": 2.5}},
    {"rules": {"counted": "four"}},
    {"profile": [[0, 10], [math.inf, 10]]},
    {"profile": [[0, 10], [2_000, math.nan], [4_000, 10]]},
    {"profile": []},
    {"profile": [[0, 10]]},
    {"profile": [[0, 10, 3], [4_000, 10, 4]]},
]

TAKEN = [
    ("ten riders", {"riders": 10, "profile": [[0, 10], [3_000, 10]]}),
    ("three hundred kilometres", {"profile": [[0, 10], [300_000, 20]]}),
    ("no shelter", {"rules": {"shelter_efficiency": 0}}),
    ("a gale from behind", {"rules": {"wind_mps": -12}}),
    ("the first one counts", {"rules": {"counted": 1}}),
]


def riders_of(change: Change) -> list[Change]:
    """Four riders, the first one changed."""
    figures = {key: value for key, value in change.items() if key in USUAL}
    riders = [{"name": f"R{index}", **USUAL} for index in range(change.get("riders", 4))]
    return [{**rider, **(figures if index == 0 else {})} for index, rider in enumerate(riders)]


def in_toml(value: Any) -> str:
    if isinstance(value, float) and not math.isfinite(value):
        return {math.inf: "inf", -math.inf: "-inf"}.get(value, "nan")
    return f"[{', '.join(in_toml(one) for one in value)}]" if isinstance(value, list) else json.dumps(value)


def scenario(change: Change) -> str:
    """A scenario file with the steady plan; None leaves a key out."""
    tables = [
        ("", {"title": "Mistaken", "about": "A test.", "plan": "steady"}),
        ("[course]", {"name": "Nine", "profile": change.get("profile", LINE["profile"])}),
        ("[rules]", change.get("rules", {})),
        *(("[[riders]]", rider) for rider in riders_of(change)),
    ]
    return "\n".join(
        "\n".join([head, *(f"{key} = {in_toml(value)}" for key, value in rows.items() if value is not None)])
        for head, rows in tables
    )


def by_command(text: str, folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Any:
    """Exit code, what was printed and what was complained of, of ``swingoff plan FILE --json``."""
    path = folder / "race.toml"
    path.write_text(text, encoding="utf-8")
    monkeypatch.setattr(sys, "argv", ["swingoff", "plan", str(path), "--json"])
    code: Any = 0
    try:
        command.main()
    except SystemExit as stopped:
        code = stopped.code or 0
    printed = capsys.readouterr()
    return code, printed.out, printed.err


@pytest.mark.parametrize(("mistake", "change", "sentence"), REFUSED, ids=lambda value: "")
def test_the_command_refuses_in_one_sentence(
    mistake: str,
    change: Change,
    sentence: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    code, out, err = by_command(scenario(change), tmp_path, monkeypatch, capsys)
    assert (code, out) == (2, ""), mistake
    assert sentence in err, mistake
    assert err.count("\n") == 1
    assert "Traceback" not in err


@pytest.mark.parametrize("change", NO_NUMBERS, ids=lambda value: "")
def test_the_command_refuses_what_is_no_number(
    change: Change, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = by_command(scenario(change), tmp_path, monkeypatch, capsys)
    assert (code, out) == (2, "")
    assert "found" in err
    assert "expected" in err
    assert err.count("\n") == 1


@pytest.mark.parametrize(("what", "change"), TAKEN, ids=lambda value: "")
def test_the_command_answers_what_is_odd_but_right(
    what: str,
    change: Change,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    code, out, err = by_command(scenario(change), tmp_path, monkeypatch, capsys)
    assert (code, err) == (0, ""), what
    plan = json.loads(out)
    assert len(plan["order"]) == change.get("riders", 4)
    rows: list[list[float]] = change.get("profile", LINE["profile"])
    length_m = rows[-1][0]
    # Faster than a stroll, slower than the wind and the best together: a plan of that course, not of another.
    assert length_m / 25 < plan["finish_s"] < length_m / 3


async def put(change: Change, folder: Path) -> list[tuple[str, int, Any]]:
    """What each call for setting up the race answers, up to its plan: (path, status, body)."""
    answers: list[tuple[str, int, Any]] = []
    async with arena(folder) as here:
        made = (await here.call("POST", "/api/races", {"name": "Mistaken"})).json()
        rows = change.get("profile", LINE["profile"])
        for method, path, body in (
            ("PUT", "course-table", {"name": "Nine", "rows": rows}),
            ("PUT", "riders", riders_of(change)),
            ("PUT", "rules", change.get("rules", {})),
            ("POST", "plan", {"method": "steady"}),
        ):
            # By hand: JSON itself has no nan, but anything may come over a wire.
            answer = await here.http.request(
                method,
                f"/api/races/{made['code']}/{path}",
                content=json.dumps(body),
                headers={"Authorization": f"Bearer {made['ticket']}", "Content-Type": "application/json"},
            )
            answers.append((path, answer.status_code, answer.json()))
            if answer.status_code >= 400:
                break
        health = await here.call("GET", "/api/health")
        assert health.status_code == 200
    return answers


@pytest.mark.parametrize(("mistake", "change", "sentence"), REFUSED, ids=lambda value: "")
async def test_the_server_refuses_in_one_sentence(mistake: str, change: Change, sentence: str, tmp_path: Path) -> None:
    with faults() as found:
        path, status, body = (await put(change, tmp_path))[-1]
    # 409: nothing is wrong with what was just sent; there is no plan for what is set up by now.
    assert status == (409 if path == "plan" else 422), f"{mistake}: {path} {body}"
    assert set(body) == {"code", "sentence"}
    assert sentence in body["sentence"], mistake
    assert "\n" not in body["sentence"]
    assert found.told == []


@pytest.mark.parametrize("change", NO_NUMBERS, ids=lambda value: "")
async def test_the_server_refuses_what_is_no_number(change: Change, tmp_path: Path) -> None:
    with faults() as found:
        _, status, body = (await put(change, tmp_path))[-1]
    assert status == 422
    assert set(body) == {"code", "sentence"}
    assert found.told == []


async def test_the_server_plans_for_ten_and_keeps_figures_as_they_are(tmp_path: Path) -> None:
    answers = await put({"riders": 10, "rules": {"counted": 1, "wind_mps": -12}}, tmp_path)
    assert [status for _, status, _ in answers] == [200, 200, 200, 200]
    assert [rider["critical_power_w"] for rider in answers[1][2]] == [300] * 10
    assert answers[2][2]["wind_mps"] == -12
    assert len(RIDERS) == 4
