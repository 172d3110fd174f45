"""The command ``swingoff``: serve, rehearse, plan, check. Words in, sentences out; exit 0 done, 2 yours, 1 ours."""

import asyncio
import contextlib
import json
import logging
import os
import socket
import sys
import webbrowser
from dataclasses import replace
from enum import Enum
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import typer

from caller.errors import CallerError, FileRefused, Refused
from server.settings import DEFAULT_PORT, Settings, read_settings, version

__all__ = ["app", "main"]

app = typer.Typer(
    name="swingoff",
    help="The voice and the screens of a director who does not ride, for a cycling team time trial.",
    no_args_is_help=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

Host = Annotated[
    str | None,
    typer.Option(help="Address to listen on: 127.0.0.1 is this machine alone, 0.0.0.0 all on your network."),
]
Port = Annotated[int | None, typer.Option(min=0, max=65535, help=f"Port to listen on; {DEFAULT_PORT} if not said.")]
Data = Annotated[Path | None, typer.Option(help="Directory that everything is kept in.")]
PublicUrl = Annotated[
    str | None, typer.Option(help="How phones reach this server, such as https://race.example.org; for the links.")
]
Browser = Annotated[bool, typer.Option(help="Open the page in this machine's browser.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON instead of a table.")]


class PlanForm(Enum):
    """Of a plan that is searched for."""

    MEMORABLE = "memorable"
    FREE = "free"


def main() -> None:
    """The console command."""
    try:
        app(prog_name="swingoff")
    except (CallerError, _Unusable) as refused:
        _stop(2, str(refused))
    except KeyboardInterrupt:
        _stop(130, "")
    except BrokenPipeError:  # whoever read what was printed has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except Exception as fault:
        if os.environ.get("SWINGOFF_DEBUG"):
            raise
        _stop(1, f"swingoff: a fault of ours, {type(fault).__name__}: {fault}; SWINGOFF_DEBUG=1 shows where")


class _Unusable(Exception):
    """Something of the user's, or of the machine's, that can't be used; the message is the sentence."""


def _stop(code: int, sentence: str) -> None:
    if sentence:
        print(sentence, file=sys.stderr)
    sys.exit(code)


def _print_version(asked: bool) -> None:
    if asked:
        print(f"swingoff {version()}")
        raise typer.Exit


@app.callback(invoke_without_command=True)
def serve(
    context: typer.Context,
    host: Host = None,
    port: Port = None,
    data: Data = None,
    public_url: PublicUrl = None,
    browser: Browser = True,
    which: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Say which.")
    ] = False,
) -> None:
    """Serve the pages, print the link, open the browser."""
    settings = read_settings(os.environ, host=host, port=port, data_dir=data, public_url=public_url)
    if context.invoked_subcommand is None:
        _serve(settings, open_browser=browser)


@app.command()
def rehearse(
    context: typer.Context,
    scenario: Annotated[str, typer.Argument(help="A rehearsal that comes along, such as demo, or a scenario's file.")],
    pace: Annotated[float, typer.Option(min=0.25, max=8, help="How fast: 1 is riding pace.")] = 1.0,
    fast: Annotated[
        bool, typer.Option("--fast", help="On virtual time: print what would be called, and stop.")
    ] = False,
    seed: Annotated[
        int | None, typer.Option(min=0, help="Of the riders' whims; the scenario's own if not said.")
    ] = None,
    as_json: AsJson = False,
    host: Host = None,
    port: Port = None,
    data: Data = None,
    public_url: PublicUrl = None,
    browser: Browser = True,
) -> None:
    """Rehearse a race with simulated riders: at riding pace in the browser, or with --fast in a moment."""
    settings = _settings_after(context, host=host, port=port, data_dir=data, public_url=public_url)
    path = _scenario_path(settings, scenario)
    if fast or as_json:
        _rehearse_fast(path, seed, as_json)
        return
    from server.runner.house import scenario_in

    scenario_in(path)  # its faults are told here, before anything starts
    _serve(settings, open_browser=browser and _told_before(context)["browser"], rehearsal=(path, pace, seed))


def _told_before(context: typer.Context) -> dict[str, Any]:
    """What stood before the command's word: an option may stand on either side of it."""
    assert context.parent is not None
    return context.parent.params


def _settings_after(context: typer.Context, **told: Any) -> Settings:
    """Settings from the options after the command's word, else from those before it, else as they come."""
    before = _told_before(context) | {"data_dir": _told_before(context)["data"]}
    return read_settings(os.environ, **{name: before[name] if it is None else it for name, it in told.items()})


@app.command()
def plan(
    file: Annotated[Path, typer.Argument(help="A scenario's file: course, riders and rules.")],
    as_json: AsJson = False,
    form: Annotated[
        PlanForm, typer.Option(help="memorable: turns in steps of 5 s; free: to the second.")
    ] = PlanForm.MEMORABLE,
    thorough: Annotated[
        bool,
        typer.Option(
            "--thorough", help="Look longer for a proof of how much faster any plan could be; up to some minutes."
        ),
    ] = False,
    effects: Annotated[
        bool,
        typer.Option(
            "--effects", help="Work out, too, how many seconds each choice buys; takes several times as long."
        ),
    ] = False,
) -> None:
    """Make a plan for a scenario's course, riders and rules, and print it."""
    from server.planning import best_plan, closer_plan, plan_effects
    from server.runner.house import scenario_in

    scenario = scenario_in(file)
    asked = scenario.course, scenario.roster, scenario.rules
    found = best_plan(*asked, form=form.value)
    if thorough:
        found = closer_plan(*asked, found)
    bought = plan_effects(*asked, found) if effects else None
    from server.wire.report import plan_report, plan_text

    if as_json:
        print(plan_report(found, scenario.roster, bought).model_dump_json(indent=2))
    else:
        print(plan_text(found, scenario.roster, bought))


@app.command()
def check(
    files: Annotated[list[Path], typer.Argument(help="Courses (GPX, TCX, table) and scenarios (TOML).")],
) -> None:
    """Say of each file whether it can be used, and if not, what is wrong and where."""
    faults = 0
    for file in files:
        try:
            print(f"{file}: {_checked(file)}")
        except CallerError as refused:
            faults += 1
            print(refused, file=sys.stderr)
    if faults:
        raise typer.Exit(2)


def _checked(file: Path) -> str:
    from server.runner.house import scenario_in

    if file.suffix.lower() == ".toml":
        scenario = scenario_in(file)
        riders = len(scenario.roster.riders)
        return f"scenario {scenario.title!r}, {scenario.course.length_m / 1000:.2f} km, {riders} riders"
    from caller.formats import read_course

    try:
        data = file.read_bytes()
    except OSError as error:
        raise FileRefused(str(file), "", error.strerror or "no file", "expected a course or a scenario") from error
    course = read_course(data, file.name)
    notes = "".join(f"\n  {note}" for note in course.notes)
    return f"course {course.name!r}, {course.length_m / 1000:.2f} km, {len(course.stretches)} stretches{notes}"


def _scenario_path(settings: Settings, scenario: str) -> Path:
    if scenario.endswith(".toml") or "/" in scenario or "\\" in scenario:
        return Path(scenario).absolute()
    path = settings.scenario_dir / f"{scenario}.toml"
    if not path.is_file():
        known = ", ".join(sorted(one.stem for one in settings.scenario_dir.glob("*.toml"))) or "none"
        raise Refused("rehearsal", "", repr(scenario), f"expected a file ending in .toml, or one of: {known}")
    return path


def _rehearse_fast(path: Path, seed: int | None, as_json: bool) -> None:
    from caller.rehearsal import run_fast
    from server.planning import best_plan
    from server.runner.house import scenario_in
    from server.wire.report import rehearsal_json

    scenario = scenario_in(path)
    result = run_fast(scenario, planner=partial(best_plan, method=scenario.plan), seed=seed, title=path.stem)
    print(json.dumps(rehearsal_json(result), indent=2) if as_json else result.transcript)


# Serving


def _serve(settings: Settings, *, open_browser: bool, rehearsal: tuple[Path, float, int | None] | None = None) -> None:
    logging.basicConfig(level=logging.WARNING, format="%(asctime)s %(levelname)s %(name)s: %(message)s")
    listening = _listen(settings)
    try:
        asyncio.run(_serve_on(listening, settings, open_browser, rehearsal))
    except KeyboardInterrupt:
        pass
    finally:
        listening.close()


async def _serve_on(
    listening: socket.socket, settings: Settings, open_browser: bool, rehearsal: tuple[Path, float, int | None] | None
) -> None:
    import uvicorn

    from server.app import CannotStart, make_app, server_config

    settings = replace(settings, port=listening.getsockname()[1])
    try:
        application = make_app(settings)
    except CannotStart as cannot:
        raise _Unusable(str(cannot)) from cannot
    running = uvicorn.Server(server_config(application, settings))
    telling = asyncio.create_task(_tell(running, application, settings, open_browser, rehearsal))
    await running.serve(sockets=[listening])
    telling.cancel()
    outcome = (await asyncio.gather(telling, return_exceptions=True))[0]
    if isinstance(outcome, Exception):
        raise outcome


async def _tell(
    running: Any,
    application: Any,
    settings: Settings,
    open_browser: bool,
    rehearsal: tuple[Path, float, int | None] | None,
) -> None:
    """Once it listens: print the link, open the browser."""
    from server.auth import DIRECTOR
    from server.runner.house import RehearsalFile, scenario_in

    parts = application.state.parts
    try:
        while not running.started:
            await parts.clock.pause(0.02)
        here = f"http://{'127.0.0.1' if settings.host in ('0.0.0.0', '::') else settings.host}:{settings.port}"
        url = here
        if rehearsal is not None:
            path, pace, seed = rehearsal
            print("swingoff makes a plan for the rehearsal ...", flush=True)
            file = RehearsalFile(name=path.stem, path=path, scenario=scenario_in(path))
            race = await parts.house.create_rehearsal(file, pace=pace, seed=seed)
            url = f"{here}/desk/{race.code}#{parts.house.ticket(race, DIRECTOR)}"
            print(f"swingoff rehearses {race.draft.name}: {url}", flush=True)
            print(f"riders join at {parts.url}/join/{race.code}", flush=True)
        else:
            print(f"swingoff serves {url}", flush=True)
            if parts.url != here:
                print(f"phones reach it at {parts.url}", flush=True)
            elif settings.host == "127.0.0.1":
                print("only this machine reaches it; --host 0.0.0.0 lets phones on your network in", flush=True)
        print("Ctrl-C ends it; races are kept and go on when it is started again", flush=True)
        if open_browser:
            # A browser that does not fork would hold the loop; one that is missing is no reason to stop.
            with contextlib.suppress(webbrowser.Error):
                await asyncio.to_thread(webbrowser.open, url)
    except Exception:
        running.should_exit = True
        raise


def _listen(settings: Settings) -> socket.socket:
    """The socket, bound before anything else starts. Raises: _Unusable: the address or port can't be had."""
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    # Named as TCP: only then does asyncio send small frames at once; else each waits 40 ms for the other end's receipt.
    listening = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        if os.name == "posix":  # elsewhere it would let two servers share the port
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((settings.host, settings.port))
    except (OSError, ValueError) as error:  # ValueError: a name that can't be one
        listening.close()
        why = (error.strerror if isinstance(error, OSError) else None) or str(error)
        raise _Unusable(
            f"{settings.host} port {settings.port}: {why}; another swingoff may be running, or choose another --port"
        ) from error
    listening.set_inheritable(False)
    return listening


if __name__ == "__main__":
    main()
