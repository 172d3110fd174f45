"""A race's voice: chosen, tried and kept over HTTP, with the real engine; and who hears what in which language."""

import asyncio
import io
import wave
from collections.abc import AsyncIterator, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest

from caller import race
from caller.cues import Cue, CueKind
from caller.facts import Aloud, CallAloud, Entry, Fact, GapOpened, GoWithout, LineBunched, LineSurged, LostWheel
from caller.riders import Roster
from caller.speech import say
from server.runner.voicing import VoiceChoice, offered, sample, vocabulary
from server.voice import NATURAL, VoiceName, VoiceRefused
from server.wire.view import heard_in, team_language
from tests.play import ANA, IDA, MAYA, OTTO, Play, some_race
from tests.server.serving import Arena, Made, Page, serving, settings_for
from tests.server.test_live import started

GENEROUS_S = 60.0
"""For a busy machine: the engine renders a clip in a hundredth of a second."""


def spoken(data: Path) -> Any:
    """A server with its voice."""
    return serving(replace(settings_for(data), voice=True))


async def until_it_speaks(here: Arena) -> None:
    async with asyncio.timeout(GENEROUS_S):
        while not here.parts.voice.status.ok:
            await asyncio.sleep(0.02)


@pytest.fixture
async def here(tmp_path: Path) -> AsyncIterator[Arena]:
    async with spoken(tmp_path / "data") as running:
        await until_it_speaks(running)
        yield running


async def card(here: Arena, made: Made) -> dict[str, Any]:
    answer = await here.call("GET", f"/api/races/{made.code}/voice", ticket=made.ticket)
    assert answer.status_code == 200, answer.text
    body: dict[str, Any] = answer.json()
    return body


async def choose(here: Arena, made: Made, **choice: Any) -> httpx.Response:
    return await here.call("PUT", f"/api/races/{made.code}/voice", choice, ticket=made.ticket)


async def hear(here: Arena, made: Made, **ask: Any) -> httpx.Response:
    return await here.call("POST", f"/api/races/{made.code}/voice/hear", ask, ticket=made.ticket)


async def length_s(here: Arena, heard: httpx.Response) -> float:
    """How long a clip is, by its own head; and it comes over HTTP like any other."""
    assert heard.status_code == 200, heard.text
    clip = await here.http.get(heard.json()["clip"])
    assert (clip.status_code, clip.headers["content-type"]) == (200, "audio/wav")
    with wave.open(io.BytesIO(clip.content)) as file:
        return file.getnframes() / file.getframerate()


async def ready(here: Arena, made: Made) -> None:
    async with asyncio.timeout(GENEROUS_S):
        while (now := await card(here, made))["ready"] < now["wanted"]:
            await asyncio.sleep(0.1)


# What there is


async def test_each_language_offers_the_engines_voices_the_usual_one_first(here: Arena) -> None:
    made = await here.set_up()
    offers = {one["language"]: one for one in (await card(here, made))["languages"]}
    assert list(offers) == ["en", "es", "fr", "de", "it", "nl"]
    assert offers["en"]["voice"] == offers["en"]["voices"][0]["name"] == "en-us"
    assert offers["en"]["riders"] == ["Maya", "Otto", "Ana", "Jo"]
    assert {"en-gb-x-rp", "en-us+f2"} <= {voice["name"] for voice in offers["en"]["voices"]}
    assert {"fr", "fr-be", "fr-ch", "fr+f2"} <= {voice["name"] for voice in offers["fr"]["voices"]}
    assert "en-shaw" not in {voice["name"] for voice in offers["en"]["voices"]}  # it reads another alphabet


def test_a_voice_of_another_language_is_not_offered() -> None:
    voices = (VoiceName("es", "Spanish", "es"), VoiceName("est", "Estonian", "et"), VoiceName(NATURAL, "Natural", "en"))
    assert [voice.name for voice in offered(voices, "es")] == ["es"]
    assert [voice.name for voice in offered(voices, "en")] == [NATURAL]


# Chosen and kept


async def test_a_voice_is_kept_with_its_race_and_is_there_after_a_restart(tmp_path: Path) -> None:
    choice = {"language": "fr", "rate": 140, "loudness": 0.8, "voices": {"en": "en-gb-x-rp", "fr": "fr-be"}}
    async with spoken(tmp_path / "data") as first:
        await until_it_speaks(first)
        made, other = await first.opened(), await first.set_up("Another")
        answer = await choose(first, made, **choice)
        assert answer.status_code == 200, answer.text
    async with spoken(tmp_path / "data") as second:
        kept = await card(second, made)
        assert kept["choice"] == choice
        assert kept["team"] == "fr"
        assert (await card(second, other))["choice"] == {"language": None, "rate": 155, "loudness": 1.0, "voices": {}}
        director = Page(await second.connect(made.code))
        await director.send(kind="hello", ticket=made.ticket)
        assert (await director.next("welcome"))["language"] == "fr"


@pytest.mark.parametrize(
    ("choice", "sentence"),
    [
        ({"rate": 300}, "voice, rate: found 300; expected 80 to 260 words a minute"),
        ({"rate": 79}, "voice, rate: found 79; expected 80 to 260 words a minute"),
        ({"loudness": 0}, "voice, loudness: found 0; expected 0.05 to 1"),
        ({"loudness": 1.01}, "voice, loudness: found 1.01; expected 0.05 to 1"),
        ({"language": "xx"}, "voice, language of the team voice: found 'xx'; expected one of en, es, fr, de, it, nl"),
        ({"voices": {"xx": "en-us"}}, "voice, voices: found 'xx'; expected one of en, es, fr, de, it, nl"),
        (
            {"voices": {"de": "moon"}},
            "voice, voice for de: found 'moon'; expected one of de, de+f2",
        ),
        (
            {"voices": {"it": "de"}},  # a voice, but it would read Italian as if it were German
            "voice, voice for it: found 'de'; expected one of it, it+f2",
        ),
        ({"voices": {"en": "../../x"}}, "voice, voice for en: found '../../x'; expected a name from the list"),
        ({"rate": "fast"}, "rate: input should be a valid integer, unable to parse string as an integer, found 'fast'"),
        ({"rate": 150.5}, "rate: input should be a valid integer, got a number with a fractional part, found 150.5"),
    ],
)
async def test_a_voice_that_cannot_be_is_refused_in_a_sentence(
    here: Arena, choice: dict[str, Any], sentence: str
) -> None:
    made = await here.set_up()
    before = await card(here, made)
    for answer in (await choose(here, made, **choice), await hear(here, made, language="en", choice=choice)):
        assert answer.status_code == 422
        assert answer.json()["sentence"].removeprefix("choice.") == sentence
    assert await card(here, made) == before


async def test_only_the_director_chooses_and_tries_the_voice(here: Arena) -> None:
    made = await here.opened()
    rider = Made(code=made.code, ticket=made.ticket_of("otto"))
    for answer in (await choose(here, rider, rate=200), await hear(here, rider, language="en")):
        assert (answer.status_code, answer.json()["code"]) == (403, "not_allowed")


# Tried


async def test_a_voice_is_heard_before_it_is_chosen(here: Arena) -> None:
    made = await here.set_up()
    usual = await length_s(here, await hear(here, made, language="en"))
    slow = await length_s(here, await hear(here, made, language="en", choice={"rate": 100}))
    assert slow > 1.3 * usual
    assert (await card(here, made))["choice"]["rate"] == 155


async def test_a_name_is_heard_as_it_will_be_called(here: Arena) -> None:
    made = await here.set_up()
    heard = await hear(here, made, language="de", spoken="Yorg")
    assert heard.json()["text"] == "Yorg, gleich vorn"
    assert heard.json()["clip"] != (await hear(here, made, language="de", spoken="Jörg")).json()["clip"]


@pytest.mark.parametrize("name", ["", "  ", "a\nb", "a\x00b", "\x1b[31m", "x" * 25, "x" * 5_000])
async def test_a_name_no_voice_should_be_given_is_refused_in_a_sentence(here: Arena, name: str) -> None:
    answer = await hear(here, await here.set_up(), language="en", spoken=name)
    assert answer.status_code == 422
    found = repr(name[:40])
    assert answer.json()["sentence"] == f"spoken name: found {found}; expected 1 to 24 printable characters"


async def test_without_a_voice_whoever_tries_it_is_told_so_at_once(tmp_path: Path) -> None:
    async with serving(settings_for(tmp_path / "data")) as silent:  # started without one
        made = await silent.set_up()
        answer = await hear(silent, made, language="en")
        assert (answer.status_code, answer.json()["sentence"]) == (422, silent.parts.voice.status.sentence)
        assert (await choose(silent, made, rate=120)).status_code == 200
        assert not (await card(silent, made))["ok"]


async def test_who_tries_the_voice_without_end_is_asked_to_wait(tmp_path: Path) -> None:
    async with serving(settings_for(tmp_path / "data", hears_per_min=2)) as few:
        made = await few.set_up()
        answers = [await hear(few, made, language="xx") for _ in range(3)]
        assert [answer.status_code for answer in answers] == [422, 422, 429]


def test_a_sample_calls_those_first_who_will_hear_it() -> None:
    assert sample("de", mixed().riders) == "Maya, gleich vorn. Otto, Wechsel. Ana, 320"
    assert sample("en", []) == "you're next. switch now. three twenty"


# In a race


async def test_another_voice_is_rendered_in_the_background_and_meanwhile_the_old_one_speaks(here: Arena) -> None:
    made = await here.opened()
    await ready(here, made)
    director = await here.page(made.code, made.ticket)
    before = (await director.next("state"))["sound_check"][0]["said"]["en"]
    assert before["clip"]
    assert (await choose(here, made, rate=110)).status_code == 200
    clips = []
    async with asyncio.timeout(GENEROUS_S):
        while not clips or clips[-1] == before["clip"]:
            clips.append((await director.next("state"))["sound_check"][0]["said"]["en"]["clip"])
    assert None not in clips
    await ready(here, made)
    after = (await hear(here, made, language="en")).json()
    assert after["length_ms"] > 0


async def test_the_voice_can_be_changed_in_the_middle_of_a_race_but_not_when_it_is_over(here: Arena) -> None:
    made = await here.opened()
    director = await here.page(made.code, made.ticket)
    await started(director, 5)
    answer = await choose(here, made, rate=120)
    assert answer.status_code == 200, answer.text
    live = (await here.parts.house.race(made.code)).live
    assert live is not None
    async with asyncio.timeout(GENEROUS_S):
        while live.state.phase is not race.Phase.RACING:
            await asyncio.sleep(0.05)
    await director.settled(await director.tap("race_finished"))
    answer = await choose(here, made, rate=130)
    assert (answer.status_code, answer.json()["sentence"]) == (409, "the race is over: its voice stays as it was")


async def test_the_team_voice_speaks_the_directors_language_to_all_who_listen_at_once(here: Arena) -> None:
    made = await here.opened()
    director = await here.page(made.code, made.ticket)
    await choose(here, made, language="es")
    assert (await director.next("welcome"))["language"] == "es"
    state = await director.next("state")
    assert {tuple(cue["said"]) for cue in state["sound_check"]} == {("es", "en")}
    await started(director, 10)
    await director.settled(await director.tap("call_aloud", aloud="ease"))
    async with asyncio.timeout(GENEROUS_S):
        while not [line for line in state["log"] if line["what"] == "ease"]:
            state = await director.next("state")
    assert [line["text"] for line in state["log"] if line["what"] == "ease"] == ["Afloja"]


async def test_the_directors_own_words_reach_every_page_as_a_clip_before_they_are_due(here: Arena) -> None:
    made = await here.opened()
    await ready(here, made)
    director, rider = await here.page(made.code, made.ticket), await here.page(made.code, made.ticket_of("otto"))
    await started(director, 30)
    await director.send(
        kind="tap",
        tap="words-1234",
        act={"act": "say_aloud", "text": "crosswind at the mill", "rider": "otto"},
    )
    for page in (director, rider):
        said: dict[str, Any] = {"clip": None}
        async with asyncio.timeout(GENEROUS_S):
            while said["clip"] is None:
                state = await page.next("state")
                said = next((cue["said"]["en"] for cue in state["cues"] if cue["kind"] == "say"), said)
        assert said["text"] == "Otto, crosswind at the mill"
        assert (await here.http.get(said["clip"])).status_code == 200
        assert said["key_ms"] > said["starts_ms"]
    log = await here.call("GET", f"/api/races/{made.code}/log", ticket=made.ticket)
    assert '"kind":"say_aloud","fact":{"text":"crosswind at the mill","rider":"otto"}' in log.text.splitlines()[-1]


async def test_words_too_long_to_be_said_are_refused_to_their_sender_alone(here: Arena) -> None:
    made = await here.opened()
    director = await here.page(made.code, made.ticket)
    await started(director, 30)
    answer = await director.settled(await director.tap("say_aloud", text="x" * 5_000))
    assert (answer["kind"], answer["code"]) == ("error", "request_refused")
    assert answer["sentence"] == "say it: 5000 characters; give 1 to 120 characters on one line"
    rider = await here.page(made.code, made.ticket_of("otto"))
    refused = await rider.settled(await rider.tap("say_aloud", text="hello"))
    assert (refused["kind"], refused["code"]) == ("error", "not_allowed")


# Who hears what


def mixed() -> Roster:
    """Otto hears French, Maya German; Ana and Ida English."""
    tongues = {OTTO: "fr", MAYA: "de"}
    riders = some_race(4).roster.riders
    return Roster(riders=tuple(replace(rider, language=tongues.get(rider.id, "en")) for rider in riders))


def test_the_team_voice_speaks_what_most_riders_hear_unless_told_otherwise() -> None:
    assert team_language(mixed().riders) == "en"
    assert team_language(mixed().riders, "de") == "de"


def test_an_own_ear_hears_its_riders_language_and_only_what_is_for_it() -> None:
    ears = {rider.id: rider.language for rider in mixed().riders}
    cue = Cue(id="c", kind=CueKind.STAND_BY, due_ms=0, rider=MAYA)
    assert heard_in(replace(cue, to=(MAYA,)), ears, "en") == ("en", "de")
    assert heard_in(replace(cue, to=(OTTO, ANA)), ears, "en") == ("en", "fr")
    assert set(heard_in(cue, ears, "it")) == {"it", "en", "fr", "de"}


def told() -> Iterator[Cue]:
    """Cues of a race with much trouble in it, but for those that nobody can foresee."""
    play = Play(replace(some_race(4), roster=mixed()))
    trouble: list[tuple[float, Fact]] = [
        (5, LineSurged()),
        (10, GapOpened(rider=MAYA)),
        (20, LineBunched()),
        (40, CallAloud(aloud=Aloud.LIFT, rider=OTTO)),
        (41, CallAloud(aloud=Aloud.EASE)),
        (60, LostWheel(rider=IDA)),
        (70, GoWithout(rider=IDA)),
        (90, CallAloud(aloud=Aloud.STOP, rider=MAYA)),
    ]
    for at_s, fact in trouble:
        play.at(at_s, fact)
    play.until(300)
    return (cue for cue in play.cues if cue.kind is not CueKind.NEW_ORDER)


def test_whatever_an_ear_hears_is_rendered_before_the_start() -> None:
    lobby = race.start(Entry(seq=1, at_ms=0, by="director", fact=replace(some_race(4), roster=mixed())))
    ahead = {(text, language) for text, language, _ in vocabulary(lobby, "es")}
    names = {rider.id: rider.spoken for rider in mixed().riders}
    ears = {rider.id: rider.language for rider in mixed().riders}
    heard = {(say(cue, names, language).text, language) for cue in told() for language in heard_in(cue, ears, "es")}
    assert len(heard) > 40
    assert heard - ahead == set()


def test_nothing_is_rendered_for_an_ear_that_will_not_hear_it() -> None:
    lobby = race.start(Entry(seq=1, at_ms=0, by="director", fact=replace(some_race(4), roster=mixed())))
    ahead = {(text, language) for text, language, _ in vocabulary(lobby)}
    assert ("Maya, gleich vorn", "de") in ahead
    assert ("Otto, prochain relais", "fr") in ahead
    assert not {("Otto, gleich vorn", "de"), ("Ana, gleich vorn", "de")} & ahead
    assert ("Otto, Wechsel", "de") in ahead  # whoever comes next hears it too


@pytest.mark.parametrize(
    ("choice", "sentence"),
    [
        ({"rate": 300}, "voice, rate: found 300; expected 80 to 260 words a minute"),
        ({"language": "q" * 100}, f"voice, language of the team voice: found '{'q' * 40}'; expected one of en, es, fr"),
    ],
)
def test_a_choice_is_none_that_no_voice_could_keep(choice: dict[str, Any], sentence: str) -> None:
    with pytest.raises(VoiceRefused) as refused:
        VoiceChoice(**choice)
    assert str(refused.value).startswith(sentence)
