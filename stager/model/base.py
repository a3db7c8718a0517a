"""The base of every record: frozen, strict, finite."""

from pydantic import BaseModel, ConfigDict


class Record(BaseModel):
    """A frozen result or setting. Unknown fields, NaN and infinity are refused when it is made."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        strict=True,
        allow_inf_nan=False,
        validate_default=True,
        use_enum_values=False,
    )
