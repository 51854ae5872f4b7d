"""The plan for the inspector: the places where each check is tightest, named as in the lists of clauses."""

from __future__ import annotations

import math
from typing import Final

from pipeline.drawings import plan_names, plan_view
from pipeline.drawings.ink import Area, Mark, Stroke
from pipeline.drawings.label_placing import Candidate
from pipeline.drawings.paper import Frame
from pipeline.drawings.plan_sheets import PlanSheet
from pipeline.geometry.chain import Point
from pipeline.model.compliance import Check, Compliance
from pipeline.model.layout import Layout
from pipeline.model.site import Site

NAME: Final = "Checks"
_TOGETHER: Final = 5.0  # [mm] places nearer to each other than this on the sheet are named together
_A_NAME: Final = 3  # checks in one name; the others of a place are in the list


def check_sheet(site: Site, layout: Layout, compliance: Compliance, frame: Frame, view: plan_view.View) -> PlanSheet:
    """Return the sheet with the places of all checks that have any; filled signs are those that fail."""
    groups = _groups(_places_of(compliance, view))
    wanted: list[tuple[str, list[Candidate]]] = []
    marks: list[Mark] = []
    for number, (at, checks) in enumerate(groups):
        fails = any(check.verdict == "fail" for check in checks)
        marks += _sign(at, filled=fails)
        text = ", ".join(_named(check) for check in checks[:_A_NAME]) + (" …" if len(checks) > _A_NAME else "")
        wanted.append((f"checks {number}", plan_names.round_about(text, at, plan_view.NAME_CAP, (2.6, 4.4, 6.5, 9.5, 13.0, 17.0, 22.0, 28.0))))
    names_placed = plan_names.place_names(site, layout, view, [mark for mark in marks if isinstance(mark, Stroke)], numbers=False, first=wanted)
    return PlanSheet(
        name=NAME, frame=frame, view=view, names=names_placed, own_names=True, hidden=("DIMENSION",), signs=("check", "fail"), more=tuple(marks)
    )


def _named(check: Check) -> str:
    return f"{check.name} FAIL" if check.verdict == "fail" else check.name


def _places_of(compliance: Compliance, view: plan_view.View) -> list[tuple[Point, Check]]:
    """Return every place of every check that the window shows, on the sheet [mm]; those that fail come first."""
    places = [(place, check) for check in compliance.checks if check.place is not None for place in (check.place, *check.also)]
    shown = [(view.on_sheet(place), check) for place, check in places if view.shows(place, 3.0)]
    return sorted(shown, key=lambda one: (one[1].verdict != "fail", one[1].name))


def _groups(places: list[tuple[Point, Check]]) -> list[tuple[Point, list[Check]]]:
    """Gather checks whose places lie together on the sheet."""
    groups: list[tuple[Point, list[Check]]] = []
    for at, check in places:
        near = next((group for group in groups if math.dist(group[0], at) < _TOGETHER), None)
        if near is None:
            groups.append((at, [check]))
        elif check not in near[1]:
            near[1].append(check)
    return groups


def _sign(at: Point, *, filled: bool) -> list[Mark]:
    """Return a triangle on its point, filled where a check fails."""
    corners = (at, (at[0] - 1.5, at[1] + 2.4), (at[0] + 1.5, at[1] + 2.4))
    outline = Stroke(points=(*corners, corners[0]), width=0.25, layer="CHECK")
    return [Area(points=corners, grey=0.0, layer="CHECK"), outline] if filled else [outline]
