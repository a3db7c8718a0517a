"""The words that a setting may have: the built-in ones, and those of plug-ins, known once these are loaded."""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass

from pydantic import BeforeValidator, ValidationInfo
from pydantic_core import PydanticKnownError

Names = Callable[[], Collection[str]]


def no_names() -> Collection[str]:
    """Return no names."""
    return ()


@dataclass(frozen=True)
class Words:
    """Names of plug-ins' rules and codes of plug-ins' findings, passed as the validation context of a record.

    They are looked up only where a word is not built in. Without a context only the built-in words are known; with
    `ANY_WORDS` every text is accepted.
    """

    rules: Names = no_names
    codes: Names = no_names


ANY_WORDS = "any words"
"""The context under which every word is accepted: it was checked before, or will be."""


def word_of(own: Sequence[str], more: Callable[[Words], Names]) -> BeforeValidator:
    """Return the validator of a word: a built-in one, or one of those that `more` finds in the context.

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
    """Return the JSON Schema of a word: the built-in ones, or any other text, which means what `others` says."""
    return {"anyOf": [{"enum": list(own)}, {"type": "string", "minLength": 1, "description": others}]}
