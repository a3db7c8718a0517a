"""Words that a setting may be: ours, and those that plug-ins bring, which are known once these are read."""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass

from pydantic import BeforeValidator, ValidationInfo
from pydantic_core import PydanticKnownError

Names = Callable[[], Collection[str]]


def no_names() -> Collection[str]:
    """Give none."""
    return ()


@dataclass(frozen=True)
class Words:
    """Names of plug-ins' rules and codes of plug-ins' findings, handed over as the context when a record is read.

    They are asked for only where a word is none of ours. Without a context ours alone are known; with `ANY_WORDS`,
    every text will do.
    """

    rules: Names = no_names
    codes: Names = no_names


ANY_WORDS = "any words"
"""The context under which a word is taken as it is: it was looked at before, or will be."""


def word_of(own: Sequence[str], more: Callable[[Words], Names]) -> BeforeValidator:
    """Make the check of a word: one of ours, or one of those that `more` finds in the context.

    The error is that of a `Literal` with all the words that are known.
    """

    def check(value: object, info: ValidationInfo) -> object:
        if value in own or (info.context == ANY_WORDS and isinstance(value, str) and value):
            return value
        theirs = sorted(more(info.context)()) if isinstance(info.context, Words) else []
        if value in theirs:
            return value
        words = [f"'{word}'" for word in (*own, *theirs)]
        raise PydanticKnownError("literal_error", {"expected": f"{', '.join(words[:-1])} or {words[-1]}"})

    return BeforeValidator(check)


def word_schema(own: Sequence[str], others: str) -> dict[str, object]:
    """Give the JSON Schema of a word: ours to choose from, and any other text, which means what `others` says."""
    return {"anyOf": [{"enum": list(own)}, {"type": "string", "minLength": 1, "description": others}]}
