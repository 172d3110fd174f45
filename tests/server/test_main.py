"""server/__main__.py: the command's words, its sentences and its exit codes."""

import json
import sys
from pathlib import Path

import pytest

from server import __main__ as command

COURSE = "distance height\n" + "\n".join(f"{distance} {distance / 500}" for distance in range(0, 9_001, 500))


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> "Run":
    return Run(monkeypatch, capsys)


class Run:
    """Runs the command in this process."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
        self._monkeypatch = monkeypatch
        self._capsys = capsys

    def __call__(self, *words: str) -> tuple[int, str, str]:
        """Its exit code, what it printed, and what it complained of."""
        self._monkeypatch.setattr(sys, "argv", ["swingoff", *words])
        self._capsys.readouterr()
        code = 0
        try:
            command.main()
        except SystemExit as stopped:
            code = stopped.code if isinstance(stopped.code, int) else 0
        printed = self._capsys.readouterr()
        return code, printed.out, printed.err


def test_help_names_every_command(run: Run) -> None:
    code, out, _ = run("--help")
    assert code == 0
    for word in ("rehearse", "plan", "check", "--host", "--port", "--data", "--no-browser", "--version"):
        assert word in out


def test_version_is_one_line(run: Run) -> None:
    code, out, _ = run("--version")
    assert code == 0
    assert out.startswith("swingoff ")
    assert out.count("\n") == 1


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (("juggle",), "juggle"),
        (("--port", "lots"), "--port"),
        (("--port", "70000"), "65535"),
        (("--public-url", "nowhere", "plan", "x.toml"), "setting, public URL: found 'nowhere'"),
        (("rehearse",), "scenario"),
        (("rehearse", "nothing"), "rehearsal: found 'nothing'; expected a file ending in .toml, or one of: "),
        (("rehearse", "nothing.toml", "--fast"), "No such file"),
        (("rehearse", "demo", "--pace", "99"), "--pace"),
        (("rehearse", "demo", "--pace", "nan"), "--pace"),
        (("--host", "a" * 70, "--no-browser"), "port 8421: "),
        (("plan", "nothing.toml"), "nothing.toml: found No such file or directory; expected a scenario in TOML"),
        (("check", "nothing.gpx"), "nothing.gpx: found No such file or directory; expected a course or a scenario"),
    ],
)
def test_words_that_are_off_get_exit_2_and_a_sentence(
    run: Run, words: tuple[str, ...], complaint: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    code, _, err = run(*words)
    assert code == 2
    assert complaint in err
    assert "Traceback" not in err


def test_check_tells_of_good_files_and_bad_ones_alike(run: Run, tmp_path: Path) -> None:
    good, bad = tmp_path / "good.csv", tmp_path / "bad.gpx"
    good.write_text(COURSE, "utf-8")
    bad.write_text("<gpx>", "utf-8")
    assert run("check", str(good))[0] == 0
    code, out, err = run("check", str(good), str(bad))
    assert code == 2
    assert "9.00 km" in out
    assert err.startswith("bad.gpx")


def test_check_refuses_a_scenario_with_its_place(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "odd.toml"
    path.write_text("title = 3\n", "utf-8")
    code, _, err = run("check", str(path))
    assert code == 2
    assert err.startswith("odd.toml")


def test_a_rehearsal_run_fast_prints_its_transcript_the_same_each_time(run: Run) -> None:
    code, out, _ = run("rehearse", "demo", "--fast", "--seed", "3")
    assert code == 0
    assert "switch" in out
    assert run("rehearse", "demo", "--fast", "--seed", "3")[1] == out
    assert run("rehearse", "demo", "--fast", "--seed", "4")[1] != out


def test_a_rehearsal_as_json_has_the_fields_it_promises(run: Run) -> None:
    code, out, _ = run("rehearse", "demo", "--json")
    assert code == 0
    told = json.loads(out)
    assert {"finish_s", "cues", "order_changes", "score"} <= set(told)
    assert {"kind", "to", "due_ms", "because"} <= set(told["cues"][0])


def test_a_plan_as_json_has_the_fields_it_promises_and_its_turns_fill_the_ride(run: Run) -> None:
    scenario = Path(__file__).parents[2] / "scenarios" / "demo.toml"
    code, out, _ = run("plan", str(scenario), "--json")
    assert code == 0
    told = json.loads(out)
    promised = {"finish_s", "bound_s", "gap", "equal_turns_s", "stretches", "turns", "riders"}
    assert promised <= set(told)
    assert {"rider", "start_s", "start_m", "length_s", "power_w", "speed_mps"} <= set(told["turns"][0])
    assert (told["effects"], {"spent", "order", "method"} <= set(told)) == (None, True)
    for rider in told["riders"]:
        # Lowest and highest of each part of the course are kept: so is the lowest of all.
        assert min(left_j for _, left_j in rider["reserve_curve"]) == pytest.approx(rider["least_reserve_j"], abs=1)
        assert [rider["on_flat"], rider["on_climbs"], rider["on_descents"]] == ["planned"] * 3
    assert sum(turn["length_s"] for turn in told["turns"]) == pytest.approx(told["finish_s"], rel=0.02)
    if told["bound_s"] is not None:
        assert told["gap"] == pytest.approx(told["finish_s"] / told["bound_s"] - 1)


def test_a_plan_for_people_names_every_rider_and_stretch(run: Run) -> None:
    scenario = Path(__file__).parents[2] / "scenarios" / "demo.toml"
    code, out, _ = run("plan", str(scenario))
    assert code == 0
    for word in ("canal road", "Harrow Hill", "lake shore", "Otto", "Maya", "km/h"):
        assert word in out


def test_a_fault_of_ours_is_exit_1_in_one_line(run: Run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("a bug")

    path = tmp_path / "course.csv"
    path.write_text(COURSE, "utf-8")
    monkeypatch.setattr("caller.formats.read_course", broken)
    monkeypatch.delenv("SWINGOFF_DEBUG", raising=False)
    code, _, err = run("check", str(path))
    assert code == 1
    assert err.count("\n") == 1
    assert "a fault of ours, ZeroDivisionError: a bug" in err


def test_a_port_that_is_taken_is_told(run: Run, tmp_path: Path) -> None:
    import socket

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        code, _, err = run("--port", str(port), "--data", str(tmp_path / "data"), "--no-browser")
    assert code == 2
    assert f"127.0.0.1 port {port}: Address already in use" in err


def test_a_data_directory_that_cannot_be_made_is_told(run: Run, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way", "utf-8")
    code, _, err = run("--port", "0", "--data", str(tmp_path / "file" / "data"), "--no-browser")
    assert code == 2
    assert "choose another with --data" in err


def test_small_frames_leave_at_once() -> None:
    """asyncio switches Nagle's delay off (RFC 896) only for sockets made as TCP by name; a cue must not wait for it."""
    import socket
    from dataclasses import replace

    from server.settings import read_settings

    with command._listen(replace(read_settings({}), port=0)) as listening:
        assert listening.proto == socket.IPPROTO_TCP
