"""Numbers as a person writes them in the project file: with a unit, a range, and words for what is wrong.

Each type refuses a wrong value in our own words and describes itself in the JSON Schema.
"""

import re
from dataclasses import dataclass
from math import isfinite
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from roommodes.acoustics.curve import Curve
from roommodes.ranges import Allowed, number
from roommodes.toml.letters import unsafe

NAME_LENGTH = 80
WORDED = "worded"  # error type of the messages below: complete sentences, not to be reworded


def _spaced(name: str) -> str:
    return re.sub("(?<=.)([A-Z])", r" \1", name).capitalize()


class Table(BaseModel):
    """Base of every table of the project file: unknown keys, wrong types, NaN and infinity are refused."""

    model_config = ConfigDict(
        extra="forbid",
        strict=True,
        frozen=True,
        allow_inf_nan=False,
        model_title_generator=lambda model: _spaced(model.__name__.removesuffix("Table")),
        field_title_generator=lambda name, _: name,
    )


def worded(message: str) -> PydanticCustomError:
    """A validation error whose text is already meant for a person."""
    return PydanticCustomError(WORDED, "{text}", {"text": message})


@dataclass(frozen=True, slots=True, kw_only=True)
class Range(Allowed):
    """What a number in a file may be."""

    def _check(self, value: float) -> float:
        if text := self.fault(value):
            raise worded(text)
        return value

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_after_validator_function(self._check, handler(source))

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        result = handler(schema)
        result["exclusiveMinimum" if self.above_low else "minimum"] = self.low
        result["maximum"] = self.high
        return result


@dataclass(frozen=True, slots=True, kw_only=True)
class Several:
    """A TOML list of a fixed count of numbers, stored as a tuple; `form` says what they are: ``[x, y, z]``."""

    count: int
    form: str

    def __call__(self, value: Any) -> Any:
        if isinstance(value, list):
            if len(value) != self.count:
                numbers = "number" if len(value) == 1 else "numbers"
                raise worded(f"got {len(value)} {numbers}; allowed: {self.count}, {self.form}.")
            return tuple(value)
        raise worded(f"got {shown(value)}; allowed: a list of {self.count} numbers, {self.form}.")


def several(count: int, form: str) -> BeforeValidator:
    """The validator that turns a TOML list into a tuple of `count` numbers."""
    return BeforeValidator(Several(count=count, form=form))


def list_to_tuple(value: Any) -> Any:
    """A TOML list as a tuple, for lists of any length."""
    return tuple(value) if isinstance(value, list) else value


AnyLength = BeforeValidator(list_to_tuple)


def apart(pair: tuple[float, float]) -> tuple[float, float]:
    """Refuse a pair of equal numbers."""
    if pair[0] == pair[1]:
        raise worded(f"got [{number(pair[0])}, {number(pair[1])}]; the two must differ.")
    return pair


def rising(pair: tuple[float, float]) -> tuple[float, float]:
    """Refuse a pair whose first number is above its second."""
    if pair[0] > pair[1]:
        raise worded(f"got [{number(pair[0])}, {number(pair[1])}]; the first must not be above the second.")
    return pair


def _plain_name(value: str) -> str:
    if not value.strip() or len(value) > NAME_LENGTH:
        raise worded(f"got a text of {len(value)} characters; allowed: 1 to {NAME_LENGTH}, not all blank.")
    if any(unsafe(value)):
        raise worded("the text holds a control character; allowed: plain text on one line.")
    return value


@dataclass(frozen=True, slots=True)
class _Name:
    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_after_validator_function(_plain_name, handler(source))

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        return {**handler(schema), "minLength": 1, "maxLength": NAME_LENGTH}


Name = Annotated[str, _Name()]


def shown(value: Any) -> str:
    """A value as it stands in a TOML file, cut short."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        plain = "".join(c if c.isprintable() else "?" for c in value)
        return f'"{plain[:40]}..."' if len(plain) > 40 else f'"{plain}"'
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list | tuple):
        return "a list"
    if isinstance(value, int):
        return str(value) if abs(value) < 10**15 else "a very large number"
    return str(value)[:60]


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveOf:
    """Validates a number, or a table of numbers by frequency such as ``{"63" = 0.2, "125" = 0.1}``, into a `Curve`."""

    allowed: Range

    def parse(self, value: Any) -> Curve:
        """A TOML value as a curve; refuses with a sentence."""
        if isinstance(value, Curve):
            return value
        if not isinstance(value, dict):
            return Curve((1000.0,), (self._number(value, ""),))
        if not value:
            raise worded('got an empty table; allowed: frequencies with values, such as {"63" = 0.2, "125" = 0.1}.')
        points = sorted((self._hz(key, entry), self._number(entry, f'at "{key}": ')) for key, entry in value.items())
        hz = tuple(point[0] for point in points)
        if len(set(hz)) < len(hz):
            raise worded("one frequency is given twice; give each once.")
        return Curve(hz, tuple(point[1] for point in points))

    def _hz(self, key: str, entry: Any) -> float:
        try:
            hz = float(key)
        except ValueError:
            hz = -1.0
        if isinstance(entry, dict):
            raise worded(f'frequency {key}.…: a frequency with a decimal point needs quotes, such as "{key}.5" = 0.1.')
        if not (isfinite(hz) and 1.0 <= hz <= 20000.0):
            raise worded(f"{shown(key)} is not a frequency; allowed: 1 to 20000, in Hz.")
        return hz

    def _number(self, value: Any, where: str) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            form = "a number" if where else "a number, or a table of numbers by frequency in Hz"
            raise worded(f"{where}got {shown(value)}; allowed: {form}, {self.allowed.text}.")
        if text := self.allowed.fault(value):
            raise worded(where + text)
        return float(value)

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.parse)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        bounds = {"minimum": self.allowed.low, "maximum": self.allowed.high}
        single: JsonSchemaValue = {"type": "number", **bounds}
        table: JsonSchemaValue = {
            "type": "object",
            "minProperties": 1,
            "propertyNames": {"pattern": r"^[0-9]+(\.[0-9]+)?$"},
            "additionalProperties": single,
        }
        return {"anyOf": [single, table]}
