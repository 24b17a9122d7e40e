"""A rig or scenario file as a JSON schema, for editors that complete and check TOML by one.

Knows: how the types of keys are said in JSON Schema, draft 2020-12. Does not know what any key does. What two keys
cannot both be is not in a schema: `rvsim plan` and `rvsim shakedown --explain` say that.
"""

from collections.abc import Mapping
from enum import StrEnum
from pathlib import Path
from types import NoneType
from typing import Annotated, Any, Literal, get_args, get_origin, get_type_hints

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from rvsim.rig.device_plan import Address, DevicePlan, FieldName, Kinds, Limits
from rvsim.rig.electric import BatteryPlan, WirePlan
from rvsim.rig.field_types import ClaimedName, Duration, Seed
from rvsim.rig.functions import FUNCTIONS, MAX_INSTANCE, OTHER_NAMES
from rvsim.rig.key_lists import bounds, descriptions, is_union, meaning, unit_of
from rvsim.rig.model import SCHEMA, Rig, Schema
from rvsim.rig.quantity import MAX_SEED, duration_as_typed
from rvsim.wire.ident import MAX_ADDRESS

DIALECT = "https://json-schema.org/draft/2020-12/schema"
JsonSchema = dict[str, Any]
Overrides = Mapping[tuple[type[BaseModel], str], JsonSchema]
"""The schema of a field that takes other forms than its type says, by its model and name."""

_INSTANCE: JsonSchema = {"type": "integer", "minimum": 0, "maximum": MAX_INSTANCE}
_DURATION: JsonSchema = {"type": "string", "pattern": r"^[0-9]+(\.[0-9]+)? ?(ms|s|min|h)$"}
_TYPES: Mapping[Any, JsonSchema] = {
    Duration: _DURATION,
    Seed: {"type": "integer", "minimum": 0, "maximum": MAX_SEED},
    Address: {"type": "integer", "minimum": 0, "maximum": MAX_ADDRESS},
    ClaimedName: {"type": "string", "pattern": "^(0x)?[0-9A-Fa-f]{16}$"},
    FieldName: {"type": "string", "pattern": r"^\w+(\.\w+)?$"},
    Limits: {"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2},
    Schema: {"const": SCHEMA},
}
"""The types that a file has in another form than the program, or that are checked by a function."""
_PLAIN: Mapping[Any, JsonSchema] = {
    int: {"type": "integer"},
    float: {"type": "number"},
    str: {"type": "string", "minLength": 1},
    bool: {"type": "boolean"},
    Path: {"type": "string", "minLength": 1},
}
_BOUNDS = {"ge": "minimum", "gt": "exclusiveMinimum", "le": "maximum", "lt": "exclusiveMaximum"}
_RIG_FORMS: Overrides = {
    (Rig, "batteries"): {
        "anyOf": [
            {"$ref": f"#/$defs/{BatteryPlan.__name__}"},
            {"type": "array", "items": {"$ref": f"#/$defs/{BatteryPlan.__name__}"}, "minItems": 1},
        ]
    },
    (DevicePlan, "functions"): {
        "type": "object",
        "propertyNames": {"enum": [*FUNCTIONS, *OTHER_NAMES]},
        "additionalProperties": {"anyOf": [_INSTANCE, {"type": "array", "items": _INSTANCE, "minItems": 1}]},
    },
}


def rig_schema(kinds: Kinds) -> JsonSchema:
    """Return the schema of a rig; ``kinds`` are the settings models of the kinds of simulated device."""
    return file_schema(Rig, "A rig of rvsim", kinds)


def file_schema(model: type[BaseModel], title: str, kinds: Kinds, overrides: Overrides | None = None) -> JsonSchema:
    """Return the schema of a file.

    Args:
        model: what its content is checked with.
        title: what the file is called.
        kinds: the settings models of the kinds of simulated device.
        overrides: fields in other forms than their types say, besides those of a rig.
    """
    made = _Maker(kinds, {**_RIG_FORMS, **(overrides or {})})
    top = made.table(model)
    return {"$schema": DIALECT, "title": title, **top, "$defs": dict(sorted(made.definitions.items()))}


class _Maker:
    """Makes the schemas of models, each once."""

    def __init__(self, kinds: Kinds, overrides: Overrides) -> None:
        self._kinds, self._overrides = kinds, overrides
        self.definitions: dict[str, JsonSchema] = {}

    def table(self, model: type[BaseModel]) -> JsonSchema:
        """Return the schema of a model's own table."""
        hints = get_type_hints(model, include_extras=True)
        described = descriptions(model)
        properties = {
            field.alias or name: self._key(model, name, field, hints[name], described.get(name, ""))
            for name, field in model.model_fields.items()
        }
        required = [field.alias or name for name, field in model.model_fields.items() if field.is_required()]
        schema: JsonSchema = {"type": "object", "description": meaning(model), "properties": properties}
        if required:
            schema["required"] = required
        schema["additionalProperties"] = model.model_config.get("extra") != "forbid"
        if model is DevicePlan:
            schema["allOf"] = [self._settings(kind, settings) for kind, settings in self._kinds.items()]
        return schema

    def _settings(self, kind: str, model: type[BaseModel]) -> JsonSchema:
        """Return the rule that a device of a kind has the settings of this kind."""
        return {
            "if": {"properties": {"kind": {"const": kind}}, "required": ["kind"]},
            "then": {"properties": {"settings": self._reference(model, f"{kind}_settings")}},
        }

    def _key(self, model: type[BaseModel], name: str, field: FieldInfo, hint: Any, said: str) -> JsonSchema:
        """Return the schema of a key: type, bounds, meaning with the unit, and default."""
        if (model, name) in self._overrides:
            if model is Rig and name == "batteries":
                self._reference(BatteryPlan)
            schema = dict(self._overrides[model, name])
        elif model is DevicePlan and name == "kind":
            schema = {"enum": ["", *self._kinds]} if self._kinds else dict(_PLAIN[str])
        elif model is WirePlan and name == "awg":
            schema = {"anyOf": [self._hint(hint), {"type": "integer", "minimum": 1, "maximum": 24}]}
        else:
            schema = self._hint(hint, field)
        unit = unit_of(name) if schema.get("type") in ("number", "integer") else ""
        text = " ".join(said.split()).replace("``", '"') + (f" In {unit}." if unit else "")
        if text:
            schema["description"] = text.strip()
        default = field.default
        if schema.get("pattern") == _DURATION["pattern"] and isinstance(default, int):
            default = duration_as_typed(default)
        if isinstance(default, bool | int | float | str) and default != "":
            schema["default"] = default
        return schema

    def _reference(self, model: type[BaseModel], name: str = "") -> JsonSchema:
        name = name or model.__name__
        if name not in self.definitions:
            self.definitions[name] = {}  # a model may have itself in it
            self.definitions[name] = self.table(model)
        return {"$ref": f"#/$defs/{name}"}

    def _hint(self, hint: Any, field: FieldInfo | None = None) -> JsonSchema:
        """Return the schema of a type."""
        known = _known(hint)
        if known is not None:
            return dict(known)
        origin, parts = get_origin(hint), get_args(hint)
        if is_union(hint):
            forms = [self._hint(part, field) for part in parts if part is not NoneType]
            return forms[0] if len(forms) == 1 else {"anyOf": forms}
        if origin is Annotated:
            schema = self._hint(parts[0])
            return {**schema, **_limits(schema, hint, field), **_lengths(parts[1:])}
        if origin is Literal:
            return {"enum": list(parts)}
        if origin is not None:
            return self._container(origin, parts)
        return self._single(hint, field)

    def _container(self, origin: Any, parts: tuple[Any, ...]) -> JsonSchema:
        """Return the schema of a list or of a table with free keys."""
        if origin is tuple or origin is list:
            return self._list(parts)
        return {"type": "object", "additionalProperties": self._hint(parts[1])}

    def _single(self, hint: Any, field: FieldInfo | None) -> JsonSchema:
        """Return the schema of a type without parts."""
        if isinstance(hint, type) and issubclass(hint, BaseModel):
            return self._reference(hint)
        if isinstance(hint, type) and issubclass(hint, StrEnum):
            return {"enum": [str(word) for word in hint]}
        schema = dict(_PLAIN.get(hint, {}))
        return {**schema, **_limits(schema, hint, field)}

    def _list(self, parts: tuple[Any, ...]) -> JsonSchema:
        if len(parts) == 2 and parts[1] is Ellipsis:
            return {"type": "array", "items": self._hint(parts[0])}
        items = [self._hint(part) for part in parts]
        return {"type": "array", "prefixItems": items, "minItems": len(items), "maxItems": len(items)}


def _known(hint: Any) -> JsonSchema | None:
    """Return the schema of a type that stands in ``_TYPES``, itself or with further bounds."""
    for known, schema in _TYPES.items():
        if hint is known or (
            get_origin(hint) is Annotated and get_origin(known) is Annotated and _mark(known) in get_args(hint)[1:]
        ):
            return schema
    return None


def _mark(known: Any) -> Any:
    """Return what is special about a type: the last thing that is said of it."""
    return get_args(known)[-1]


def _limits(schema: JsonSchema, hint: Any, field: FieldInfo | None) -> JsonSchema:
    if schema.get("type") not in ("number", "integer"):
        return {}
    return {_BOUNDS[name]: limit for name, limit in bounds(hint, field).items() if limit is not None}


def _lengths(marks: tuple[Any, ...]) -> JsonSchema:
    """Return how many entries a list must have, as far as what is said of it tells."""
    found: JsonSchema = {}
    for mark in marks:
        for one in mark.metadata if isinstance(mark, FieldInfo) else (mark,):
            if (length := getattr(one, "min_length", None)) is not None:
                found["minItems"] = length
            if (length := getattr(one, "max_length", None)) is not None:
                found["maxItems"] = length
    return found
