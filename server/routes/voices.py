"""The voice of a race over HTTP: chosen, tried, kept."""

from fastapi import APIRouter
from starlette.requests import Request

from caller.riders import LANGUAGES
from server.routes.asking import Parts, director_of, not_too_often, parts_of
from server.runner.house import Race
from server.runner.voicing import VoiceChoice, check_voices, name_to_hear, offered, said_of, sample
from server.voice import LOUDNESSES, NATURAL, RATES_WPM, NoClip, VoiceRefused
from server.wire import voices as wire
from server.wire.outbound import Said
from server.wire.view import team_language

__all__ = ["voices"]

voices = APIRouter()


@voices.get("/api/races/{code}/voice")
async def read(request: Request, code: str) -> wire.VoiceCard:
    """What there is to choose from, and what is chosen."""
    return _card(parts_of(request), await director_of(request, code))


@voices.put("/api/races/{code}/voice")
async def choose(request: Request, code: str, body: wire.VoiceForm) -> wire.VoiceCard:
    """How the race is spoken from now on; everything is rendered anew, what comes first, first."""
    race = await director_of(request, code)
    parts = parts_of(request)
    await parts.house.set_voice(race, _choice(parts, body))
    return _card(parts, race)


@voices.post("/api/races/{code}/voice/hear")
async def hear(request: Request, code: str, body: wire.HearAsk) -> Said:
    """A few words in a voice, chosen or not, or a name as it will be called; answers the clip."""
    race = await director_of(request, code)
    parts = parts_of(request)
    not_too_often(parts.hears, request)
    if body.language not in LANGUAGES:
        raise VoiceRefused("voice", "language", repr(body.language), f"expected one of {', '.join(LANGUAGES)}")
    choice = race.draft.voice if body.choice is None else _choice(parts, body.choice)
    if body.spoken is None:
        text, key_at = sample(body.language, [one.rider for one in race.draft.riders]), 0
    else:
        spoken = name_to_hear(body.spoken, body.language)
        text, key_at = spoken.text, spoken.key_at
    if not parts.voice.status.ok:
        raise NoClip(parts.voice.status.sentence)
    clip = await parts.voice.render(text, body.language, key_at, how=choice.how)
    return said_of(clip).model_copy(update={"text": text})


def _choice(parts: Parts, form: wire.VoiceForm) -> VoiceChoice:
    choice = VoiceChoice(
        language=form.language, rate=form.rate, loudness=form.loudness, voices=tuple(sorted(form.voices.items()))
    )
    check_voices(choice, parts.voice.voices)
    return choice


def _card(parts: Parts, race: Race) -> wire.VoiceCard:
    choice, engine = race.draft.voice, parts.voice
    riders = [one.rider for one in race.draft.riders]
    team = team_language(riders, choice.language)
    heard = dict.fromkeys((team, *(rider.language for rider in riders), *LANGUAGES))
    ready, wanted = (0, 0) if race.live is None else race.live.clips
    return wire.VoiceCard(
        choice=wire.VoiceForm(
            language=choice.language, rate=choice.rate, loudness=choice.loudness, voices=dict(choice.voices)
        ),
        team=team,
        languages=tuple(
            wire.LanguageOffer(
                language=language,
                riders=tuple(rider.name for rider in riders if rider.language == language),
                voice=choice.how.voice_for(language),
                voices=tuple(
                    wire.VoiceOffer(name=voice.name, title=voice.title) for voice in offered(engine.voices, language)
                ),
            )
            for language in heard
        ),
        rates=RATES_WPM,
        loudnesses=LOUDNESSES,
        natural=any(voice.name == NATURAL for voice in engine.voices),
        ready=ready,
        wanted=wanted,
        ok=engine.status.ok,
        sentence=engine.status.sentence,
    )
