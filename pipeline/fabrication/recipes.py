"""Custom panels as recipes: which source, which posts stay, move or are added, where the mark lies, what comes off and what is left."""

from __future__ import annotations

from collections.abc import Mapping

import msgspec

from pipeline.model.fabrication import Cut, CutTicket, PanelDrawing, PanelPost
from pipeline.model.shop import Shop
from pipeline.units import ReportUnits, format_length, said_in

ON_THE_SPOT = 1e-9  # [m] what binary fractions may be off


def made_from_ticket(shop: Shop, ticket: CutTicket, drawings: Mapping[str, PanelDrawing], units: ReportUnits) -> dict[str, PanelDrawing]:
    """Return the panels cut from one source, by name, with the work on their posts and their recipes.

    Parameters
    ----------
    shop : Shop
        Its stock and distances.
    ticket : CutTicket
        One source with all its cuts.
    drawings : mapping
        The panels as drawn, by name.
    units : {"inch", "mm"}
        Of the recipe's text.
    """
    last = ticket.cuts[-1].cut
    ticket = msgspec.structs.replace(ticket, cuts=tuple(cut for cut in ticket.cuts if cut.panel in drawings))
    work = _work(shop, ticket, drawings)
    return {
        cut.panel: msgspec.structs.replace(
            drawings[cut.panel],
            made_from=ticket.source,
            takes_off=_takes_off(ticket, cut, last, units),
            posts=work[cut.panel],
            recipe=_recipe(drawings[cut.panel], ticket, cut, work[cut.panel], last, units),
            source_cut=cut.cut,
        )
        for cut in ticket.cuts
    }


def posts_fastened_anew(drawing: PanelDrawing) -> int:
    """Return the posts of a panel whose trim strips the shop has to screw on."""
    return sum(post.work != "as made" for post in drawing.posts)


def _work(shop: Shop, ticket: CutTicket, drawings: Mapping[str, PanelDrawing]) -> dict[str, tuple[PanelPost, ...]]:
    """Share the posts that stand on a source among its pieces: those that stand right stay, the others go to the nearest place."""
    before = float(shop.panel.fabric_beyond_end_post)
    places = {(cut.panel, number): cut.start + before + post.station for cut in ticket.cuts for number, post in enumerate(drawings[cut.panel].posts)}
    standing = _standing(shop, ticket)
    unplaced = ticket.posts_on - len(standing)
    tolerance = float(shop.panel.cut_step) / 2
    done: dict[tuple[str, int], PanelPost] = {}
    for key, place in places.items():
        same = next((was for was in standing if abs(was - place) <= tolerance), None)
        if same is not None:
            standing.remove(same)
            done[key] = drawings[key[0]].posts[key[1]]
    starts = {cut.panel: cut.start + before for cut in ticket.cuts}
    for key, place in places.items():
        if key in done:
            continue
        post = drawings[key[0]].posts[key[1]]
        if standing:
            was = min(standing, key=lambda was: (abs(was - place), was))
            standing.remove(was)
            done[key] = msgspec.structs.replace(post, work="moved", was=was - starts[key[0]])
        elif unplaced > 0:
            unplaced -= 1
            done[key] = msgspec.structs.replace(post, work="moved")
        else:
            done[key] = msgspec.structs.replace(post, work="added")
    return {cut.panel: tuple(done[cut.panel, number] for number in range(len(drawings[cut.panel].posts))) for cut in ticket.cuts}


def _standing(shop: Shop, ticket: CutTicket) -> list[float]:
    """Return where a stock panel's posts stand, from its fabric's edge [m]; where an offcut's stand is not known."""
    item = shop.stock.get(ticket.item)
    if item is None or item.kind != "stock-panel" or not item.posts:
        return []
    spacing = float(item.length or 0.0) / (item.posts - 1)
    return [float(shop.panel.fabric_beyond_end_post) + number * spacing for number in range(item.posts)]


def _takes_off(ticket: CutTicket, cut: Cut, last: str, units: ReportUnits) -> str:
    if cut.done:
        return "what is trimmed beyond the end post; the piece is cut already"
    if cut.cut != last:
        return "nothing: the next piece follows on the same source"
    if ticket.left_over <= ON_THE_SPOT:
        return "nothing: the source is used up"
    return f"{format_length(ticket.left_over, units)} of fabric, {ticket.fit_for}"


def _kept(drawing: PanelDrawing, units: ReportUnits) -> tuple[str, ...]:
    """Return what is left to do on a piece that is cut already: the posts set anew, the rest trimmed."""
    mark, was = drawing.mark or 0.0, drawing.cut_for or 0.0
    stations = ", ".join(format_length(post.station, units) for post in drawing.posts[1:])
    anew = "its end post stays" if format_length(mark, units) == format_length(was, units) else f"set its posts at {stations} from the first"
    return (
        f"This piece is cut already, for a mark at {format_length(was, units)}: keep it.",
        f"Mark the end post's centre at {format_length(mark, units)} from the first post's: {anew}.",
        "Try it in the holes as drilled, trim, and seal the cut edge against fraying with heat.",
    )


def _recipe(drawing: PanelDrawing, ticket: CutTicket, cut: Cut, posts: tuple[PanelPost, ...], last: str, units: ReportUnits) -> tuple[str, ...]:
    def shown(length: float) -> str:
        return format_length(length, units)

    if drawing.cut_for is not None:
        return _kept(drawing, units)
    steps = [
        f"Take {ticket.source} ({said_in(ticket.description, units)}), cut {cut.cut}: from {shown(cut.start)} to {shown(cut.end)}, both from the fabric's edge."
    ]
    for number, post in enumerate(posts, 1):
        there = f"{shown(drawing.fabric_before)} inside the fabric's edge" if number == 1 else f"at {shown(post.station)} from the first post"
        if post.work == "moved":
            on_piece = post.was is not None and 0 <= post.was <= cut.end - cut.start
            was = f"the one at {shown(post.was or 0.0)} from the first post" if on_piece else "one from the rest of the source"
            steps.append(f"Post {number}: take off {was}, set it {there}, fasten its trim strip again.")
        elif post.work == "added":
            steps.append(f"Post {number}: fasten a loose post with its trim strip {there}.")
    mark, at = drawing.mark or 0.0, drawing.cut or 0.0
    steps.append(f"Mark the end post's centre at {shown(mark)} from the first post's; cut at {shown(at)}, {shown(at - mark)} beyond the mark.")
    steps.append("Try it in the holes as drilled, trim, and seal the cut edge against fraying with heat.")
    steps.append(f"Comes off: {_takes_off(ticket, cut, last, units)}.")
    return tuple(steps)
