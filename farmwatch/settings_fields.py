"""Kinds of values in the configuration: what a key may hold, and what is said when it holds something else."""

import math
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from farmwatch.power.tariff import minute_of
from farmwatch.words.errors import ConfigError


def _number(value: object) -> object:
    if isinstance(value, bool):
        raise ValueError("must be a number, not true or false")  # noqa: TRY004  (pydantic wants a ValueError)
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError("must be a finite number")
    return value


def _text(value: object) -> object:
    return str(value) if isinstance(value, int | float) and not isinstance(value, bool) else value


def _list(value: object) -> object:
    return [value] if isinstance(value, str) else value


def pointed(value: object) -> object:
    """A plain string is a pointer to a value in SI units."""
    return {"pointer": value} if isinstance(value, str) else value


def _one(value: object) -> object:
    if isinstance(value, list | tuple):
        raise ValueError("name one alone: what feeds it is counted there, and only there")  # noqa: TRY004
    return value


def _time(value: object) -> object:
    if isinstance(value, str):
        try:
            minute_of(value)
        except ConfigError as error:
            raise ValueError(str(error)) from None
    return value


Feeder = Annotated[str | None, BeforeValidator(_one, json_schema_input_type=str | None)]
TimeOfDay = Annotated[str, BeforeValidator(_time)]
Number = Annotated[float, BeforeValidator(_number), Field(allow_inf_nan=False)]
Watts = Annotated[Number, Field(ge=0, le=6000)]
Count = Annotated[int, BeforeValidator(_number)]
Text = Annotated[str, BeforeValidator(_text, json_schema_input_type=str | float)]
Words = Annotated[list[str], BeforeValidator(_list, json_schema_input_type=str | list[str])]


class Part(BaseModel):
    """A table of the configuration: unknown keys are errors, nothing changes after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)
