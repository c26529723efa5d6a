"""A brief as commented TOML. The comments are the descriptions of the records."""

import json
import textwrap

from catalogue_audit.delivery.brief_model import EXTRA_TOLERANCES, Brief
from catalogue_audit.schema import CHECKS

WIDTH = 100  # characters in a line of comment

HEADING = """
Brief: what a delivery of product photographs is judged by.

Change what differs for you, and leave out what does not: every key left out keeps the value
it has here. Lines that begin with # are remarks; take the # away to use such a line.
""".strip()


def brief_as_toml(brief, comments):
    """
    Write a brief out.

    Parameters
    ----------
    brief : Brief
    comments : mapping of str to str
        Dotted key → remark to write above it; the empty key replaces the heading.

    Returns
    -------
    str
        TOML that gives the same brief when read.
    """
    lines = [*_remark(comments.get("", HEADING)), ""]
    sections = []
    for name, field in Brief.model_fields.items():
        value = getattr(brief, name)
        if name == "tolerance":
            sections.append(_tolerances(value, field, comments))
        elif name == "strap":
            sections.append(_table(name, value, field, comments))
        elif hasattr(value, "model_fields_set"):
            sections.append(_section(name, value, comments))
        else:
            lines += _key(name, value, field, comments, name)
    for section in sections:
        lines += ["", "", *section]
    return "\n".join(lines) + "\n"


def _section(name, record, comments):
    lines = [*_remark(type(record).__doc__), *_remark(comments.get(name, "")), f"[{name}]"]
    for key, field in type(record).model_fields.items():
        lines += _key(key, getattr(record, key), field, comments, f"{name}.{key}")
    return lines


def _table(name, values, field, comments):
    lines = [*_remark(_sentence(field.description)), *_remark(comments.get(name, "")), f"[{name}]"]
    for key, value in values.items():
        lines += [*_remark(comments.get(f"{name}.{key}", "")), f"{_name(key)} = {toml_value(value)}"]
    if not values:
        example = field.examples[0]
        lines += [f"# {_name(key)} = {toml_value(value)}" for key, value in example.items()]
    return lines


def _tolerances(values, field, comments):
    lines = [*_remark(field.description), *_remark(comments.get("tolerance", "")), "[tolerance]"]
    for key, value in values.items():
        lines += _remark(comments.get(f"tolerance.{key}", ""))
        assignment = f"{_name(key)} = {toml_value(value)}"
        unit = EXTRA_TOLERANCES[key][1] if key in EXTRA_TOLERANCES else CHECKS[key].unit
        lines.append(f"{assignment:<36}# {unit}")
    return lines


def _key(key, value, field, comments, dotted):
    lines = [*_remark(_sentence(field.description)), *_remark(comments.get(dotted, ""))]
    example = field.examples[0] if field.examples else None
    if example is not None and not value and value is not False:
        shown = textwrap.indent(f"{_name(key)} = {toml_value(example)}", "# ", lambda line: True)
        if value is None or isinstance(value, dict):
            return [*lines, shown]
        return [*lines, "# For example:", shown, f"{_name(key)} = {toml_value(value)}"]
    return [*lines, f"{_name(key)} = {toml_value(value)}"]


def toml_value(value):
    """
    One value as TOML text.

    >>> toml_value(["a", 1, 0.5, True]), toml_value({"detail": [1, 6]})
    ('["a", 1, 0.5, true]', '{ detail = [1, 6] }')
    """
    if hasattr(value, "model_dump"):
        value = value.model_dump(exclude_defaults=True)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return repr(value)
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, dict):
        inner = ", ".join(f"{_name(key)} = {toml_value(item)}" for key, item in value.items())
        return f"{{ {inner} }}" if inner else "{}"
    items = [toml_value(item) for item in value]
    if any(item.startswith("{") for item in items):
        return "[\n" + "".join(f"    {item},\n" for item in items) + "]"
    return "[" + ", ".join(items) + "]"


def _name(key):
    bare = key and all(char.isascii() and (char.isalnum() or char in "-_") for char in key)
    return key if bare else toml_value(key)


def _sentence(text):
    if not text:
        return ""
    is_value = text.split()[0].endswith(":") or text.startswith("log2")
    return (text if is_value else text[0].upper() + text[1:]) + ("" if text.endswith((".", ")")) else ".")


def _remark(text):
    lines = []
    for line in (text or "").splitlines():
        lines += textwrap.wrap(line, WIDTH - 2) or [""]
    return [f"# {line}".rstrip() for line in lines]
