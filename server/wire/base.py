"""What every message shares."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

__all__ = ["Message", "RiderKey", "Sentence"]

RiderKey = Annotated[str, Field(min_length=1, max_length=24, pattern=r"^[a-z0-9][a-z0-9-]*$")]
"""A rider's key within one race."""

Sentence = Annotated[str, Field(max_length=400)]
"""Text made for people."""


class Message(BaseModel):
    """Frozen, and closed: a field nobody knows is an error, not a surprise."""

    model_config = ConfigDict(frozen=True, extra="forbid")
