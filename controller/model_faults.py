"""A file's data against a model: the checked model, or every fault with its line."""

from collections.abc import Mapping
from typing import Any, TypeVar, get_args

from pydantic import ValidationError

from controller.faults import Fault, Wrong, shown
from controller.model_types import FileContext, Part
from controller.nearest import nearest
from controller.yaml_lines import Document, KeyPath

PartT = TypeVar("PartT", bound=Part)


def validated(document: Document, model: type[PartT], context: FileContext) -> tuple[PartT | None, list[Fault]]:
    """The model, or None and all faults in the order of their lines."""
    try:
        return model.model_validate(document.data, context=context), []
    except ValidationError as error:
        faults = [_fault(document, model, dict(detail)) for detail in error.errors(include_url=False)]
        return None, sorted(faults, key=lambda fault: fault.line)


def fault_at(document: Document, path: KeyPath, wrong: Wrong) -> Fault:
    """What is wrong, with the file, line and key at which it is."""
    return Fault(document.file, document.line_of(path), document.key_text(path), wrong.found, wrong.expected)


def _fault(document: Document, model: type[Part], detail: Mapping[str, Any]) -> Fault:
    path: KeyPath = detail["loc"]
    kind, value = detail["type"], detail["input"]
    wrong = detail.get("ctx", {}).get("error")
    if isinstance(wrong, Wrong):
        path, found, expected = (*path, *wrong.at), wrong.found, wrong.expected
    elif kind == "missing":
        field = _fields(_model_at(model, path[:-1])).get(str(path[-1]))
        found, expected = "nothing", field or "this key, which is mandatory"
    elif kind == "extra_forbidden":
        known = list(_fields(_model_at(model, path[:-1])))
        near = nearest(str(path[-1]), known)
        found = "an unknown key"
        expected = f"{near}?" if near else "one of " + ", ".join(known)
    else:
        found, expected = shown(value), _expected(kind, detail, _model_at(model, path))
    return fault_at(document, path, Wrong(found, expected))


def _expected(kind: str, detail: Mapping[str, Any], model: type[Part] | None) -> str:
    """What would be right where pydantic itself refused the type or the length."""
    limits = detail.get("ctx", {})
    if kind in {"model_type", "model_attributes_type"}:
        return "a block of keys: " + ", ".join(_fields(model))
    if kind == "list_type":
        return "a list, each item after a dash"
    if kind == "too_short":
        return f"at least {limits.get('min_length')} of them"
    if kind == "too_long":
        return f"at most {limits.get('max_length')} of them"
    return str(detail["msg"])


def _fields(model: type[Part] | None) -> dict[str, str | None]:
    """The keys of a block as they are written, each with its description."""
    if model is None:
        return {}
    return {field.alias or name: field.description for name, field in model.model_fields.items()}


def _model_at(model: type[Part], path: KeyPath) -> type[Part] | None:
    """The model of the block at a path; item numbers of lists do not change the model."""
    here: type[Part] | None = model
    for part in path:
        if here is None or isinstance(part, int):
            continue
        field = next((f for name, f in here.model_fields.items() if (f.alias or name) == part), None)
        here = _part_in(field.annotation) if field else None
    return here


def _part_in(annotation: Any) -> type[Part] | None:
    if isinstance(annotation, type) and issubclass(annotation, Part):
        return annotation
    return next((found for inner in get_args(annotation) if (found := _part_in(inner))), None)
