"""Free stretches between corners or smooth joins of a closed line otherwise made of sides and arcs.

Where dynamic programming lays three pieces or more along a stretch, a spline of few spans may describe it more shortly.  Every run of
such pieces is tried as one spline by itself (`stretch`); the likeliest are fitted with the rest of the line, whose pieces are sought as on any
line, all parts at once (`mixed_line`); the numbers of spans, the smooth joins and the ends are chosen by the least description length.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Collection, Hashable, Iterable, Iterator, Sequence
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge.mixed_line import BEYOND, GAIN_SETTLED, MixedFit, MixedLine, adjusted, settled, turn_at
from pipeline.edge.search import HOPELESS, RIVAL, WORTH, costs_of, searched
from pipeline.edge.shots import Shots
from pipeline.edge.stretch import FEWEST, GROWING, LEAST_GAIN, SLOWLY_GROWING, Alone, begun_alone, best_starts, most_spans, runs_alone
from pipeline.geometry.segmenting import Prices, cut

Array = NDArray[np.float64]
Index = NDArray[np.intp]

LEAST_SHOTS: Final = 12  # of a line that may have free stretches
MOST_RUNS: Final = 5  # fitted with the rest of the line
MOST_PAIRED: Final = 200  # of which pairs are tried, and
MOST_PAIRS: Final = 4  # pairs fitted
MOST_SHIFTED: Final = 2  # shots at an end of a stretch given to the other side at once
MOST_FEWER: Final = 2  # spans it may then have fewer
MOST_ROUNDS: Final = 6  # of exchanges
MOST_STARTS: Final = 5  # lines bettered by exchanges,
MOST_TURNED: Final = 3  # and of those with one end the other way
MOST_POLISHED: Final = 8  # adjustments of the line that is handed on, each from the one before
SAME_FIT: Final = 1  # decimals of chi-square by which two fits of the same parts are told apart
FEW_SHARED: Final = 8  # shots of a part shared out one by one
SMOOTH: Final = math.radians(40)  # a turn below which a join is tried as smooth
LEAST_CHORD: Final = 0.2  # [-] of the mean chord of a free stretch: nearer nodes have run together
LEAST_ON_PART: Final = 2  # shots


class Mixed(msgspec.Struct, frozen=True, kw_only=True):
    """The line of least description length, and others hardly longer, each another reading of the shots."""

    best: MixedFit
    rivals: tuple[MixedFit, ...]


def mixed(row: Shots, below: float = math.inf, *, likely: bool = False, start: MixedFit | None = None) -> Mixed | None:
    """Return the closed line with free stretches of least description length; None where no stretch of it is like one.

    Parameters
    ----------
    row : Shots
        Of a closed line, in order, counter-clockwise.
    below : float
        Description length [half nats] it has to undercut to be of use.
    likely : bool
        Whether something else speaks for a free stretch: more runs are then tried.
    start : MixedFit or None
        A line through these shots, or more of them, which is tried as well.
    """
    if len(row) < LEAST_SHOTS:
        return None
    costs = costs_of(row, closed=True, arcs=True)
    pieces = cut(costs, Prices.for_points(len(row)))
    runs = runs_alone(row, costs, pieces, SLOWLY_GROWING if likely else GROWING, thoroughly=likely)
    tried = [fit for some in (*([run] for run in runs[:MOST_RUNS]), *_pairs(runs)) for fit in _with_rest(row, some)]
    tried += [] if start is None else without_others(start, row)
    best = min(tried, key=_length, default=None)
    if best is None or best.length > below + LEAST_GAIN:
        return None
    known: set[Hashable] = set()
    for start in sorted(tried, key=_length)[:MOST_STARTS]:
        tried += _exchanged(start, _bettered, known)
    for exchanges in (_varied, _bettered, _varied, _bettered):
        tried += _exchanged(min(tried, key=_length), exchanges, known)
    best = min(tried, key=_length)
    for vertex in _ends(best):  # a slight corner that is taken for smooth, or the other way about, is a reading of its own
        line = _turned(best.line, vertex)
        others = [*_fits([(line, best.parts)], row, best.length + HOPELESS), *(fit for fit in tried if fit.line.smooth == line.smooth)]
        for start in [fit for fit in sorted(others, key=_length) if fit.length < best.length + 2 * RIVAL][:MOST_TURNED]:
            tried += _exchanged(start, _bettered, known)
    tried = [fit for fit in tried if _sound(fit)]
    best = min(tried, key=_length, default=None)
    return None if best is None else Mixed(best=_to_the_end(best), rivals=tuple(_others(best, tried)))


def mixed_as(fit: MixedFit, row: Shots) -> Mixed | None:
    """Return a line found on more shots through those of a row, bettered by exchanges alone; None where it does not settle."""
    tried = list(without_others(fit, row))
    if tried:
        tried += _exchanged(min(tried, key=_length), _bettered, set())
    tried = [one for one in tried if _sound(one)]
    best = min(tried, key=_length, default=None)
    return None if best is None else Mixed(best=_to_the_end(best), rivals=tuple(_others(best, tried)))


def _to_the_end(fit: MixedFit) -> MixedFit:
    """Return a line adjusted to its last digits, so that it is the same however the survey is turned; not so far that nodes run together."""
    best = fit
    for _ in range(MOST_POLISHED):
        again = adjusted(best.line, fit.shots, fit.parts, done=GAIN_SETTLED)
        if not _sound(again):
            break
        best = again
        if best.converged:
            break
    return msgspec.structs.replace(best, converged=fit.converged)


def without_shots(fit: MixedFit, part: int, out: Collection[int]) -> MixedFit | None:
    """Return the same line without some shots of a free stretch, of as many spans on it or one fewer; None where it does not settle."""
    kept = [row for row in range(len(fit.shots)) if row not in out]
    parts, rest, now = fit.parts[kept], fit.shots.without(out), len(fit.line.nodes(part)) - 1
    own = rest.taken(in_order(parts, part).tolist())
    starts = [nodes for spans in (now - 1, now) if FEWEST <= spans <= most_spans(len(own)) for nodes in best_starts(own, spans)]
    return min(_fits(((_with_nodes(fit.line, part, nodes), parts) for nodes in starts), rest), key=_length, default=None)


def without_others(fit: MixedFit, row: Shots) -> Iterator[MixedFit]:
    """Yield a line through the shots of a row alone, all of which it has; nothing where it has not, or does not settle."""
    part_of = dict(zip(fit.shots.names, fit.parts.tolist(), strict=True))
    if part_of.keys() >= set(row.names):
        yield from _fits([(fit.line, np.array([part_of[name] for name in row.names], dtype=np.intp))], row)


def free_parts(fit: MixedFit) -> list[int]:
    """Return the free stretches among the parts of a line."""
    return [part for part, inner in enumerate(fit.line.inner) if inner is not None]


def _exchanged(best: MixedFit, exchanges: Callable[[MixedFit], Iterator[MixedFit]], known: set[Hashable]) -> Iterator[MixedFit]:
    """Yield all that exchanges make of a line, each round from the best so far, until none shortens it or what they make of the best is known already."""
    for _ in range(MOST_ROUNDS):
        here = (exchanges, _likeness(best), best.parts.tobytes(), round(best.chi_square, SAME_FIT))
        if here in known:
            return
        known.add(here)
        now = list(exchanges(best))
        yield from now
        better = min(now, key=_length, default=best)
        if better.length > best.length - WORTH:
            return
        best = better


def parts_in_order(fit: MixedFit) -> Iterator[tuple[list[int], bool]]:
    """Yield the shots of each free stretch, in order along it, and of the rows of sides and arcs between free stretches; and whether it is free."""
    count, free = len(fit.line), free_parts(fit)
    for part, after in zip(free, [*free[1:], free[0] + count], strict=True):
        yield in_order(fit.parts, part).tolist(), True
        between = [one % count for one in range(part + 1, after)]
        rows = [row for one in between for row in in_order(fit.parts, one).tolist()]
        if rows:
            yield rows, False


def _length(fit: MixedFit) -> float:
    return fit.length


def _others(best: MixedFit, tried: Sequence[MixedFit]) -> Iterator[MixedFit]:
    """Yield fits hardly longer than the best, each description once, the shortest first."""
    known = {_likeness(best)}
    for fit in sorted(tried, key=_length):
        if fit.length < best.length + RIVAL and _likeness(fit) not in known:
            known.add(_likeness(fit))
            yield fit


def _likeness(fit: MixedFit) -> tuple[object, ...]:
    """Return what is the same for all adjustments of one kind of line: its parts, spans and smooth joins, whatever part a shot at an end was given to."""
    return fit.line.curved, tuple(0 if inner is None else len(inner) for inner in fit.line.inner), fit.line.smooth


def _pairs(runs: Sequence[Alone]) -> list[list[Alone]]:
    """Return the best few pairs of runs apart from each other, together hardly worse than the best run is alone: two free stretches.

    One long run that rounds the corners between two stretches is often shorter at first than both are.
    """
    shots = [set(run.shots.tolist()) for run in runs[:MOST_PAIRED]]
    pairs = [(runs[one].gain + runs[other].gain, one, other) for one, other in itertools.combinations(range(len(shots)), 2)]
    near = sorted((pair for pair in pairs if pair[0] > runs[0].gain - LEAST_GAIN), reverse=True)
    apart = (pair for pair in near if not shots[pair[1]] & shots[pair[2]])
    return [[runs[one], runs[other]] for _, one, other in itertools.islice(apart, MOST_PAIRS)]


def free_gain(runs: Sequence[Alone]) -> float:
    """Return by how much the best run, or the best pair of runs apart, shortens the description [half nats]."""
    return max((sum(run.gain for run in some) for some in (*([run] for run in runs[:1]), *_pairs(runs))), default=0.0)


def _with_rest(row: Shots, stretches: Sequence[Alone]) -> Iterator[MixedFit]:
    """Yield the line with some free stretches, its other pieces found without them; the joins smooth where that is shorter; nothing where it does not settle."""
    try:
        line, parts = _begun(row, sorted(stretches, key=lambda one: int(one.shots[0])))
    except (ValueError, ZeroDivisionError, np.linalg.LinAlgError):
        return
    for fit in _fits([(line, parts)], row):
        yield _smoothed(fit)


def _fits(starts: Iterable[tuple[MixedLine, Index]], row: Shots, hopeless: float = math.inf) -> Iterator[MixedFit]:
    """Yield the lines that some first values settle to, but those whose chi-square is soon seen to be above a limit."""
    for line, parts in starts:
        try:
            fit = settled(adjusted(line, row, parts, hopeless))
        except (ValueError, ZeroDivisionError, np.linalg.LinAlgError):
            continue
        if int(np.bincount(fit.parts, minlength=len(fit.line)).min()) > 0:
            yield fit


def _sound(fit: MixedFit) -> bool:
    """Say whether no two nodes of a free stretch have run together, as its sigma would tell nothing there, and every shot lies on its part, not beyond an end of it."""
    chords = [np.hypot(*np.diff(fit.line.nodes(part), axis=0).T) for part in free_parts(fit)]
    return all(one.min() > LEAST_CHORD * one.mean() for one in chords) and fit.beyond_parts() < BEYOND


class _Part(msgspec.Struct, frozen=True, kw_only=True):
    """First values of one part: its ends [m], bulge, kind, whether the part before runs smoothly into it, nodes between its ends, shots."""

    ends: Array
    bulge: float = 0.0
    curved: bool = False
    smooth: bool = False
    inner: Array | None = None
    shots: Index


def _begun(row: Shots, stretches: Sequence[Alone]) -> tuple[MixedLine, Index]:
    """Return first values, the free stretches as they are by themselves and what lies between as found by itself; and the part of each shot."""
    parts: list[_Part] = []
    for here, after in zip(stretches, [*stretches[1:], stretches[0]], strict=True):
        last, count = int(here.shots[-1]), len(row)
        rest = [(last + step) % count for step in range(1, (int(after.shots[0]) - last) % count)]
        own = here.shots if len(rest) >= LEAST_ON_PART else np.append(here.shots, rest).astype(np.intp)
        parts.append(_Part(ends=here.nodes[[0, -1]], inner=here.nodes[1:-1], shots=own))
        parts += _parts_of(row, rest) if len(rest) >= LEAST_ON_PART else []
    part_of = np.zeros(len(row), dtype=np.intp)
    for index, part in enumerate(parts):
        part_of[part.shots] = index
    line = MixedLine(
        vertices=np.array([(before.ends[1] + part.ends[0]) / 2 for before, part in zip([parts[-1], *parts], parts, strict=False)]),
        bulges=tuple(part.bulge for part in parts),
        curved=tuple(part.curved for part in parts),
        inner=tuple(part.inner for part in parts),
        smooth=tuple(part.smooth for part in parts),
    )
    return line, part_of


def _parts_of(row: Shots, rest: Sequence[int]) -> Iterator[_Part]:
    """Yield the sides and arcs of an open row of shots."""
    shape = searched(row.taken(rest), closed=False, arcs=True).shape
    smooth = {tie.second for tie in shape.fit.ties if tie.kind == "tangent"}
    for index, piece in enumerate(shape.chain.pieces()):
        yield _Part(
            ends=np.array([piece.start, piece.end]),
            bulge=piece.bulge,
            curved=shape.curved[index],
            smooth=index in smooth,
            shots=np.array(rest, dtype=np.intp)[shape.sightings.pieces == index],
        )


def _smoothed(fit: MixedFit) -> MixedFit:
    """Make smooth each end of a free stretch where that shortens the description, the least turn first."""
    for vertex in sorted(_ends(fit), key=lambda one: abs(turn_at(fit.line, one))):
        if not fit.line.smooth[vertex] and abs(turn_at(fit.line, vertex)) < SMOOTH:
            trial = next(_fits([(_turned(fit.line, vertex), fit.parts)], fit.shots), fit)
            fit = trial if trial.length < fit.length else fit
    return fit


def _varied(fit: MixedFit) -> Iterator[MixedFit]:
    """Yield the same line with one span fewer, as many, and one more on a free stretch, and its ends the other way, from the best splines by themselves."""
    turned = [vertex for vertex in _ends(fit) if fit.line.smooth[vertex] or abs(turn_at(fit.line, vertex)) < SMOOTH]
    lines = [fit.line, *(_turned(fit.line, vertex) for vertex in turned)]
    for part in free_parts(fit):
        own, now = fit.shots.taken(in_order(fit.parts, part).tolist()), len(fit.line.nodes(part)) - 1
        spans = [one for one in (now - 1, now, now + 1) if FEWEST <= one <= most_spans(len(own))]
        starts = [nodes for one in spans for nodes in best_starts(own, one)]
        yield from _fits(
            ((_with_nodes(line, part, nodes), fit.parts) for line, nodes in itertools.product(lines, starts)), fit.shots, fit.length + HOPELESS
        )


def _bettered(fit: MixedFit) -> Iterator[MixedFit]:
    """Yield the same line with a shot or two at an end of a free stretch on the other side of it, or with a side or an arc given to its neighbours."""
    count = len(fit.line)
    for part in free_parts(fit) if count > 1 else ():
        for vertex, beyond in ((part, (part - 1) % count), ((part + 1) % count, (part + 1) % count)):
            for giver, taker in ((part, beyond), (beyond, part)):
                own = in_order(fit.parts, giver)
                given = own if (giver == part) == (vertex == part) else own[::-1]  # from the vertex on
                for many in range(1, MOST_SHIFTED + 1):
                    parts = fit.parts.copy()
                    parts[given[:many]] = taker
                    if len(own) >= many + LEAST_ON_PART:
                        line = _with_vertex_between(fit, parts, vertex)
                        for one in (line, *(_of_fewer_spans(line, fit.shots, parts, part) if giver == part else ())):
                            yield from _adjusted(fit, one, parts)
    for part in range(count) if count > 2 else ():
        if fit.line.inner[part] is None:
            yield from _fits(_shared_out(fit, part), fit.shots, fit.length + HOPELESS)


def _of_fewer_spans(line: MixedLine, shots: Shots, parts: Index, part: int) -> Iterator[MixedLine]:
    """Yield a line with a few spans fewer on a free stretch: it had them for shots beyond a corner."""
    own, now = shots.taken(in_order(parts, part).tolist()), len(line.nodes(part)) - 1
    for spans in range(max(FEWEST, now - MOST_FEWER), now):
        yield _with_nodes(line, part, min(begun_alone(own, spans), key=lambda lone: lone[0])[1])


def _with_vertex_between(fit: MixedFit, parts: Index, vertex: int) -> MixedLine:
    """Return a line with a vertex midway between the shots before and after it: along a slight corner the adjustment hardly moves it."""
    ends = fit.shots.points[[in_order(parts, (vertex - 1) % len(fit.line))[-1], in_order(parts, vertex)[0]]]
    return msgspec.structs.replace(fit.line, vertices=np.where(np.arange(len(fit.line))[:, None] == vertex, ends.mean(axis=0), fit.line.vertices))


def _shared_out(fit: MixedFit, part: int) -> Iterator[tuple[MixedLine, Index]]:
    """Yield a line without a side or an arc, its shots shared out between its neighbours in every way, or all given to one where they are many."""
    own = int((fit.parts == part).sum())
    for share in range(own + 1) if own <= FEW_SHARED else (0, own):
        yield _shared(fit, part, share)


def _shared(fit: MixedFit, part: int, share: int) -> tuple[MixedLine, Index]:
    """Return a line without a side or an arc, so many of its shots given to the part before and the others to the one after."""
    count, own = len(fit.line), in_order(fit.parts, part)
    before, after = (part - 1) % count, (part + 1) % count
    parts = fit.parts.copy()
    parts[own[:share]], parts[own[share:]] = before, after
    ends = fit.shots.points[[in_order(parts, before)[-1], in_order(parts, after)[0]]]
    line = msgspec.structs.replace(fit.line, vertices=np.where(np.arange(count)[:, None] == after, ends.mean(axis=0), fit.line.vertices))
    for one in {before, after} & set(free_parts(fit)):
        taken = fit.shots.taken(in_order(parts, one).tolist())
        line = _with_nodes(line, one, min(begun_alone(taken, len(fit.line.nodes(one)) - 1), key=lambda lone: lone[0])[1])
    return line.without(part), parts - (parts > part)


def without_needless(fit: MixedFit, few: float) -> MixedFit:
    """Return a line without the sides and arcs of no more than so many shots that lengthen its description, their shots halved between their neighbours."""
    part = 0
    while part < len(fit.line):
        own = int((fit.parts == part).sum())
        if fit.line.inner[part] is None and own <= few and len(fit.line) > 2:
            start = _shared(fit, part, own // 2) if own else (fit.line.without(part), fit.parts - (fit.parts > part))
            trial = next(_fits([start], fit.shots, fit.length + HOPELESS), None)
            if trial is not None and (trial.length < fit.length or not own):
                fit = trial
                continue
        part += 1
    return fit


def _adjusted(fit: MixedFit, line: MixedLine, parts: Index) -> Iterator[MixedFit]:
    try:
        found = adjusted(line, fit.shots, parts, fit.length + HOPELESS)
    except (ValueError, np.linalg.LinAlgError):
        return
    if found.beyond_parts() < BEYOND:
        yield found


def _ends(fit: MixedFit) -> list[int]:
    """Return the vertices at which free stretches end."""
    return sorted({vertex % len(fit.line) for part in free_parts(fit) for vertex in (part, part + 1)})


def _turned(line: MixedLine, vertex: int) -> MixedLine:
    """Return a line with a smooth join made a corner, or a corner smooth."""
    return msgspec.structs.replace(line, smooth=tuple(one != (place == vertex) for place, one in enumerate(line.smooth)))


def _with_nodes(line: MixedLine, part: int, nodes: Array) -> MixedLine:
    return msgspec.structs.replace(line, inner=tuple(nodes[1:-1] if place == part else one for place, one in enumerate(line.inner)))


def in_order(parts: Index, part: int) -> Index:
    """Return the shots of a part, in order along it."""
    own = np.flatnonzero(parts == part)
    gaps = np.diff(own, append=own[:1] + len(parts))
    return np.roll(own, -int(np.argmax(gaps)) - 1)
