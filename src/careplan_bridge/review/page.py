"""One self-contained page from one criteria check: readable without script, on a phone and on paper, everything escaped."""

from collections.abc import Mapping
from functools import cache
from importlib import resources
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from careplan_bridge.review import charts, words


def page(document: Mapping[str, Any]) -> str:
    """HTML of a criteria-check document."""
    return _rendered("check.html.j2", check=document, chart=charts.history)


def plan_page(document: Mapping[str, Any]) -> str:
    """HTML of a plan document: the protocol as fitted to the case, with dates."""
    return _rendered("plan.html.j2", plan=document)


def next_visit_page(document: Mapping[str, Any]) -> str:
    """HTML of a next-visit document: a list to take along, with a box and a line for each value."""
    return _rendered("next_visit.html.j2", visit=document)


def _rendered(template: str, **values: Any) -> str:
    return _environment().get_template(template).render(style=_style(), words=words, **values)


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("careplan_bridge.review"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters |= {"day": words.day, "week": words.week, "moment": words.moment}
    return environment


@cache
def _style() -> Markup:
    text = resources.files("careplan_bridge.review").joinpath("templates/page.css").read_text(encoding="utf-8")
    return Markup(text)  # noqa: S704 - our own stylesheet, no input in it
