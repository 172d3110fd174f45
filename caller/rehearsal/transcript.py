"""A rehearsal as a text to read and to compare: one line for each cue, fact and change of the order.

Must not know how any of it came about.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from caller.cues import Cue
from caller.speech import say
from caller.units import RiderId, clock_text

__all__ = ["Line", "cue_line", "written_out"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line.

    Attributes:
        at_ms: when: a cue's due instant, a fact's stamp.
        sort: ``fact``, ``order``, ``refused`` or ``cue``.
        kind: the cue's kind or the fact's tag; empty for an order.
        to: whom it is meant for, or who told it.
        words: what is heard, or what was seen.
        because: why a cue is told; empty for the others.
    """

    at_ms: int
    sort: str
    kind: str
    to: str
    words: str
    because: str = ""


_RANKS = ("fact", "refused", "order", "cue")
"""At one instant: what was seen, then what became of it, then what is told."""

_WIDTHS = (9, 7, 15, 14, 42)


def cue_line(cue: Cue, names: Mapping[RiderId, str], spoken: Mapping[RiderId, str], language: str) -> Line:
    """The line of a cue, in the words that are spoken."""
    return Line(
        at_ms=cue.due_ms,
        sort="cue",
        kind=cue.kind.value,
        to=", ".join(names[rider] for rider in cue.to) or "all",
        words=f"“{say(cue, spoken, language).text}”",
        because=cue.because,
    )


def written_out(head: Iterable[str], lines: Iterable[Line]) -> str:
    """The whole text, with no line feed at its end. Lines at one instant keep their order within a sort."""
    ordered = sorted(lines, key=lambda line: (line.at_ms, _RANKS.index(line.sort)))
    rows = [f"# {said}" for said in head]
    for line in ordered:
        cells = (clock_text(line.at_ms).rjust(_WIDTHS[0]), line.sort, line.kind, line.to, line.words, line.because)
        widths = (*_WIDTHS, 0)
        rows.append("  ".join(cell.ljust(width) for cell, width in zip(cells, widths, strict=True)).rstrip())
    return "\n".join(rows)
