"""A custom panel as a recipe: which source, which posts stay, move or are added, where the mark lies, what comes off and what is left."""

from __future__ import annotations

import msgspec

from pipeline.model.fabrication import Cut, CutTicket, PanelDrawing, PanelPost
from pipeline.model.shop import Shop
from pipeline.units import ReportUnits, format_length


def with_source(shop: Shop, drawing: PanelDrawing, ticket: CutTicket, cut: Cut, units: ReportUnits) -> PanelDrawing:
    """Return a custom panel's drawing with the cut it is made from, the work on its posts and its recipe."""
    posts = _posts(shop, drawing, ticket, cut)
    anew = sum(post.work != "as made" for post in posts)
    comes_off = max(0, ticket.posts_on - ticket.posts_used) if ticket.cuts[-1].cut == cut.cut else 0
    takes_off = _takes_off(ticket, cut, comes_off, units)
    return msgspec.structs.replace(
        drawing,
        made_from=ticket.source,
        takes_off=takes_off,
        posts=posts,
        recipe=_recipe(drawing, ticket, cut, posts, takes_off, anew, units),
        source_cut=cut.cut,
    )


def posts_fastened_anew(drawing: PanelDrawing) -> int:
    """Return the posts of a panel whose trim strips the shop has to screw on."""
    return sum(post.work != "as made" for post in drawing.posts)


def _posts(shop: Shop, drawing: PanelDrawing, ticket: CutTicket, cut: Cut) -> tuple[PanelPost, ...]:
    """Match the posts wanted with those that stand on the piece of the source."""
    standing = _standing(shop, ticket, cut)
    loose = 0 if ticket.item else _from_offcut(ticket, cut, len(drawing.posts))
    free = list(standing)
    tolerance = float(shop.panel.cut_step) / 2
    placed: dict[int, PanelPost] = {}
    for number, post in enumerate(drawing.posts):
        same = next((was for was in free if abs(was - post.station) <= tolerance), None)
        if same is not None:
            free.remove(same)
            placed[number] = post
    for number, post in enumerate(drawing.posts):
        if number in placed:
            continue
        if free:
            was = min(free, key=lambda was: (abs(was - post.station), was))
            free.remove(was)
            placed[number] = msgspec.structs.replace(post, work="moved", was=was)
        elif loose > 0:
            loose -= 1
            placed[number] = msgspec.structs.replace(post, work="moved")
        else:
            placed[number] = msgspec.structs.replace(post, work="added")
    return tuple(placed[number] for number in range(len(drawing.posts)))


def _standing(shop: Shop, ticket: CutTicket, cut: Cut) -> list[float]:
    """Return where a stock panel's posts stand on the piece, from where the piece's first post comes [m]."""
    item = shop.stock.get(ticket.item)
    if item is None or item.kind != "stock-panel" or not item.posts:
        return []
    before = float(shop.panel.fabric_beyond_end_post)
    spacing = float(item.length or 0.0) / (item.posts - 1)
    places = [before + number * spacing for number in range(item.posts)]
    end = ticket.length if cut is ticket.cuts[-1] else cut.end
    return [place - cut.start - before for place in places if cut.start - 1e-9 <= place <= end + 1e-9]


def _from_offcut(ticket: CutTicket, cut: Cut, posts: int) -> int:
    """Return how many of an offcut's posts this piece gets: in cutting order, as far as they go; they stand where they stand."""
    earlier = sum(1 for other in ticket.cuts if other.cut < cut.cut)
    return max(0, ticket.posts_on - earlier * posts)


def _takes_off(ticket: CutTicket, cut: Cut, comes_off: int, units: ReportUnits) -> str:
    if cut.cut != ticket.cuts[-1].cut:
        return "nothing: the next piece follows on the same source"
    posts = f", {comes_off} post{'s' if comes_off != 1 else ''} with it" if comes_off else ""
    return f"{format_length(ticket.left_over, units)} of fabric{posts}; {ticket.fit_for or 'not worth keeping'}"


def _recipe(
    drawing: PanelDrawing, ticket: CutTicket, cut: Cut, posts: tuple[PanelPost, ...], takes_off: str, anew: int, units: ReportUnits
) -> tuple[str, ...]:
    def shown(length: float) -> str:
        return format_length(length, units)

    steps = [f"Take {ticket.source} ({ticket.description or 'offcut'}), cut {cut.cut}: from {shown(cut.start)} to {shown(cut.end)} of its fabric."]
    for number, post in enumerate(posts, 1):
        if post.work == "moved":
            was = f" from {shown(post.was)}" if post.was is not None else ""
            steps.append(f"Post {number}: take it off{was}, set it on the line at {shown(post.station)}, fasten the trim strip again.")
        elif post.work == "added":
            steps.append(f"Post {number}: fasten a loose post with its trim strip at {shown(post.station)}.")
    mark, at = drawing.mark or 0.0, drawing.cut or 0.0
    steps.append(f"Mark the end post's centre at {shown(mark)} from the first post's; cut at {shown(at)}, {shown(at - mark)} beyond the mark.")
    steps.append("Try it in the holes as drilled, trim, and seal the cut edge against fraying with heat.")
    steps.append(f"Left over: {takes_off}.")
    return tuple(steps)
