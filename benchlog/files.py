"""TOML files that people write: read, checked against a pydantic model, every fault told at once.

What the bench, plan and timetable files share: quantities as fields, unknown keys met with the nearest
right name, pydantic's errors turned into ``Fault`` lines that name key, value found and what is allowed.
"""

from __future__ import annotations

import difflib
import hashlib
import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, ValidationError, model_validator

from benchlog.errors import BadFile, Fault
from benchlog.quantities import Dimension, parse


class Table(BaseModel):
    """A TOML table: frozen once read, no key beyond those named.

    TOML keys are the field names, or their aliases where TOML's name is not a Python one.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, populate_by_name=True)

    @model_validator(mode="before")
    @classmethod
    def _lists_are_tuples(cls, table: Any) -> Any:
        """TOML has only lists, and a strict model takes no list for a tuple."""
        if not isinstance(table, dict):
            return table
        return {key: tuple(found) if isinstance(found, list) else found for key, found in table.items()}


def _quantity(dimension: Dimension) -> BeforeValidator:
    def read(found: object) -> object:
        return parse(found, dimension)

    return BeforeValidator(read)


def _positive(value: float) -> float:
    if value <= 0:
        raise ValueError("must be more than zero")
    return value


def _not_negative(value: float) -> float:
    if value < 0:
        raise ValueError("must not be negative")
    return value


# Quantities as the files write them ("60 W"), in SI once read.
Power = Annotated[float, AfterValidator(_positive), _quantity("power")]
Frequency = Annotated[float, AfterValidator(_positive), _quantity("frequency")]
Duration = Annotated[float, AfterValidator(_positive), _quantity("time")]
Ratio = Annotated[float, AfterValidator(_not_negative), _quantity("ratio")]
Drift = Annotated[float, AfterValidator(_positive), _quantity("drift")]

T = TypeVar("T", bound=Table)
OWN = ("bench.toml", "plan.toml", "timetable.toml")  # as they are called where nobody says otherwise


class TomlFile:
    """One file as it was read: the words, their hash, and the tables in them."""

    def __init__(self, path: Path, text: str) -> None:
        """Raises BadFile with the line, when it is not TOML."""
        self.path, self.text = path, text
        self.sha256 = hashlib.sha256(text.encode()).hexdigest()
        try:
            self.tables: dict[str, Any] = tomllib.loads(text)
        except tomllib.TOMLDecodeError as exc:
            raise BadFile(path, [_no_toml(text, str(exc))]) from None

    @classmethod
    def read(cls, path: Path) -> TomlFile:
        """Raises BadFile, when there is no such file, or it cannot be read as UTF-8; a byte order mark is let pass."""
        data = b""
        try:
            data = path.read_bytes()
            return cls(path, data.decode("utf-8-sig"))
        except FileNotFoundError:
            raise BadFile(path, [Fault("file", "", f"no such file{_elsewhere(path)}")]) from None
        except OSError as exc:
            raise BadFile(path, [Fault("file", "", (exc.strerror or str(exc)).lower())]) from None
        except UnicodeDecodeError as exc:
            line = data.count(b"\n", 0, exc.start) + 1
            raise BadFile(path, [Fault(f"line {line}", "", "not UTF-8 text; save the file as UTF-8")]) from None


def _elsewhere(path: Path) -> str:
    """What to do about a file that is not there."""
    if path.name not in OWN:
        return ""
    return f"; name another with --{path.stem}, or begin with config/{path.name} of the source"


def _no_toml(text: str, said: str) -> Fault:
    """The parser's words, with the line they are about: the place alone sends people counting."""
    at = re.search(r" \(at line (\d+), column \d+\)$", said)
    if at is None:
        return Fault("TOML", "", said)
    lines = text.split("\n")  # as the parser counts them: splitlines parts at form feeds and at U+2028, too
    line = lines[int(at[1]) - 1].strip() if int(at[1]) <= len(lines) else ""
    bare = re.fullmatch(r"([\w.-]+)\s*=\s*([-+]?\d[^\"'#]*?)\s*(#.*)?", line)
    cure = f'; with its unit it stands in quotes: {bare[1]} = "{bare[2]}"' if bare else ""
    if "Illegal character '\\n'" in said:
        cure = "; is a closing quote missing?"
    return Fault(f"line {at[1]}", "", f"{line}\n    not TOML: {said[: at.start()]}{cure}")


def validate(model: type[T], tables: Mapping[str, Any], at: Sequence[str | int] = ()) -> T | list[Fault]:
    """``tables`` as a ``model``, or every fault in them; ``at`` is where in the file the tables stand."""
    try:
        return model.model_validate(tables)
    except ValidationError as exc:
        return [_fault(error, model, tables, tuple(at)) for error in exc.errors() if not _echo(error)]


def key(loc: Sequence[str | int], tables: Any = None) -> str:
    """A place in a file as people name it: ``instrument[0] "wattmeter".timeout``."""
    text, here = "", tables
    for part in loc:
        here = _step(here, part)
        if isinstance(part, int):
            text += f"[{part}]"
            if isinstance(here, Mapping) and isinstance(here.get("name"), str):
                text += f' "{here["name"]}"'
        else:
            text += f".{part}" if text else part
    return text or "file"


def nearest(name: str, allowed: Sequence[str]) -> str:
    """``; did you mean "x"?`` or, where nothing is near, the allowed names."""
    known = {one.lower(): one for one in allowed}
    close = difflib.get_close_matches(name.lower(), known, n=1, cutoff=0.6)
    return f'; did you mean "{known[close[0]]}"?' if close else f"; known here: {', '.join(sorted(allowed))}"


def shortened(text: str) -> str:
    """What was found, as a fault shows it: no longer than 60 characters."""
    return text if len(text) <= 60 else text[:57] + "..."


def _step(here: Any, part: str | int) -> Any:
    try:
        return here[part]
    except (KeyError, IndexError, TypeError):
        return None


def _echo(error: Any) -> bool:
    """A list whose every item has faults of its own is "too short" as well; that tells nobody anything."""
    return bool(error["type"] == "too_short" and error["input"])


def _fault(error: Any, model: type[BaseModel], tables: Any, at: tuple[str | int, ...]) -> Fault:
    loc = tuple(part for part in error["loc"] if not str(part).startswith("function-"))
    found = tables
    for part in loc:
        found = _step(found, part)
    where = key((*at, *loc), None) if at else key(loc, tables)
    shown = "" if found is None or (isinstance(found, dict | list) and error["type"] == "missing") else _short(found)
    match error["type"]:
        case "extra_forbidden":
            names = _names(_model_at(model, loc[:-1]))
            return Fault(where, shown, f"unknown key{nearest(str(loc[-1]), names)}")
        case "missing":
            return Fault(where, "", "this key is missing")
        case "value_error" | "assertion_error":
            return Fault(where, shown, str(error["ctx"]["error"]))
        case "literal_error" | "enum":
            allowed = re.findall(r"'([^']+)'", error["ctx"]["expected"])
            return Fault(where, shown, f"not one of the known values{nearest(str(found), allowed)}")
        case _:
            message = str(error["msg"])
            return Fault(where, shown, message[:1].lower() + message[1:])


def _short(found: Any) -> str:
    if isinstance(found, dict):
        return ""
    text = f'"{found}"' if isinstance(found, str) else str(found)
    return shortened(text)


def _names(model: type[BaseModel] | None) -> list[str]:
    return [field.alias or name for name, field in model.model_fields.items()] if model else []


def _model_at(model: type[BaseModel], loc: Sequence[str | int]) -> type[BaseModel] | None:
    """The model that owns the keys at ``loc``: walks fields, through lists and optionals."""
    for part in loc:
        if isinstance(part, int):
            continue
        field = next((f for n, f in model.model_fields.items() if part in (n, f.alias)), None)
        inner = _model_in(field.annotation) if field else None
        if inner is None:
            return None
        model = inner
    return model


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for argument in getattr(annotation, "__args__", ()):
        if (inner := _model_in(argument)) is not None:
            return inner
    return None
