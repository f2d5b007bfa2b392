"""Is there a step in a series of points, or do drift, bend and wander explain it? By likelihood, over a grid of both.

Without a step the points follow a line, or a line and an exponential, with noise: white, or wandering over 2 to 60
points, in shares of 0 to 99 %. With one, the same and a jump between two of them. On each side all noises and bends
count, weighed by how likely they make the points: what can be wander is not taken for a step. Some forty points tell
white noise from wander too badly for that; other series with the same noise tell it better (``noise_of``).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.fits import median

Array = NDArray[np.float64]

LONG = 240  # points looked at in one go
TOGETHER = 64  # series worked out at once
CLOSE = 3.5  # slots: readings no farther apart count as neighbours
EARLY_OR_LATE, EXACT = 0.5, 0.005  # slots, that planned points may be and still count as even
WANDER = ((0.0, 1.0), *((share, over) for share in (0.5, 0.9, 0.99) for over in (2.0, 5.0, 15.0, 60.0)))
UNLIKE = 8.0  # in log likelihood: what other series say of the noise counts that much at most; this one may differ
DOUBTED = 12.0  # in log likelihood: what a step must gain before a series' noise is judged without it
NEARLY = 2.0  # in log likelihood: noise that explains the points nearly as well
ALIKE = 1.92  # in log likelihood: the 95 % range of where the step is (half of chi-square's 3.84)


@dataclass(frozen=True, slots=True)
class Kind:
    """What may be between the points, and in them but for a step."""

    edge: int  # points on either side of a step
    local: int  # of those at most, how many size it: few enough for a straight drift
    bends: tuple[float, ...]  # time constants of the exponential, in spans
    exact: bool  # bends are large against the noise: their time constants are fitted to first order, and times kept
    resolution: float = 0.0  # of the values; 0 where they have none

    @property
    def parameters(self) -> int:
        """How many a drift with a bend and a step has."""
        return 5 if self.exact else 4

    @property
    def fewest(self) -> int:
        """Points that tell a step from a drift."""
        return max(2 * self.edge, self.parameters) + 2


READINGS = Kind(5, 7, (0.07, 0.2, 0.5), exact=False)
KEY_DOWNS = Kind(2, 5, tuple(np.geomspace(0.03, 1.0, 20).tolist()), exact=True)


@dataclass(frozen=True, slots=True)
class Noises:
    """Of n points at given places, by kind of noise."""

    covariance: tuple[Array, ...]  # [noise]: (n, n), unit variance
    white: tuple[Array, ...]  # [noise]: (n, n), turns that noise white: lower triangular

    def first(self, n: int) -> Noises:
        """Of the first n points alone."""
        return Noises(*(tuple(one[:n, :n] for one in part) for part in (self.covariance, self.white)))


@dataclass(frozen=True, slots=True)
class Design:
    """What can be worked out before the points are known, of n points at given places, for all noise and bends."""

    drift: tuple[Array, ...]  # [bend], the first without: (n, p), as they are
    noises: Noises
    log_det: tuple[float, ...]
    precision: tuple[Array, ...]  # [noise]: (n, n), the covariance's inverse
    basis: tuple[tuple[Array, ...], ...]  # [noise][bend]: (n, p), orthonormal once white, and whitened again
    along: tuple[tuple[Array, ...], ...]  # [noise][bend]: (p, j), the steps on that basis
    square: tuple[tuple[Array, ...], ...]  # [noise][bend]: (j,), of the length of what is left of the steps


@dataclass(frozen=True, slots=True)
class Level:
    """The likeliest step of a series."""

    gain: float  # log likelihood with it less that without any
    before: int  # it is between points before and before + 1
    earliest: int
    latest: int  # of ``before``, at 95 %
    size: float
    u: float
    dof: float


def likeliest_step(
    places: Array, at: Array, values: Array, kind: Kind, least: float = 0.0, others: Array | None = None
) -> Level | None:
    """Look for one step in (n,) points.

    Args:
        places: whole numbers, increasing: which planned point each is. Noise is correlated over these.
        at: (n,) their times; drift and bend run in these.
        values: any unit.
        least: the gain from which on a step matters.
        others: sum of what ``noise_of`` says of other series with noise of the same kind, of any size.
    Returns:
        None with too few points to tell a step from a drift, and where the gain is less.
    Error: U = k u of the size, at 95 %: see tests/analysis/test_steps.py.
    """
    table = _table(places, at, values, kind)
    if table is None:
        return None
    known = np.repeat(_known(others), len(table.design.drift))
    with_step = table.with_step + known[:, None]
    by_step = _weighed(with_step)
    best = int(np.argmax(by_step))
    gain = float(by_step[best] - _weighed(table.without + known))
    if gain < least:
        return None
    alike = np.flatnonzero(by_step >= by_step[best] - ALIKE)

    def sized(step: int) -> tuple[float, float]:
        return _size(table, (kind.edge + step, kind.local), with_step[:, step])

    size, u = sized(best)
    # Where the step is not surely known, its size is another for another place: rectangular over what they say.
    others_say = [sized(int(j))[0] for j in alike[:: max(len(alike) // 6, 1)]]
    spread = (max([*others_say, size]) - min([*others_say, size])) / math.sqrt(12)
    first = kind.edge - 1
    return Level(
        gain=gain,
        before=best + first,
        earliest=int(alike[0]) + first,
        latest=int(alike[-1]) + first,
        size=size,
        u=math.hypot(u, spread),
        dof=float(len(values) - kind.parameters),
    )


def gains_at_most(pieces: Sequence[tuple[Array, Array]], kind: Kind, others: Sequence[Array | None]) -> Array:
    """(m,) what ``likeliest_step`` can gain at most in each of m pieces of readings, all worked out together.

    For each noise and bend the step may be elsewhere: that is quicker, and no less than where it is the same for all.
    Many pieces at once take a tenth of the time they take one by one. Infinite where a piece is not one of planned
    points that are as good as even, or has too few.

    Args:
        pieces: (t_s, values), (n,) each.
        others: of each piece, as there.
    """
    found = np.full(len(pieces), math.inf)
    by_length: dict[int, list[int]] = {}
    for i, (t_s, _) in enumerate(pieces):
        if kind.fewest <= len(t_s) <= LONG:
            by_length.setdefault(len(t_s), []).append(i)
    for n, alike in sorted(by_length.items()):
        for first in range(0, len(alike), TOGETHER):
            some = alike[first : first + TOGETHER]
            t_s, values = (np.array([pieces[i][part] for i in some]) for part in (0, 1))
            known = np.array([_known(others[i]) for i in some])
            even = tuple(np.linspace(0, 1, n).tolist())
            design = _design(tuple(range(n)), even, kind.edge, kind.bends, kind.exact)
            found[some] = np.where(_even(t_s), _at_most(values, known, design, kind), math.inf)
    return found


def _at_most(values: Array, known: Array, design: Design, kind: Kind) -> Array:
    """(m,) gains of (m, n) values; known: (m, noises)."""
    n = values.shape[1]
    y, free = _flat(values, design), n - kind.parameters
    floor = _floor(values, kind)
    without: list[Array] = []
    with_step: list[Array] = []
    for noise, precision in enumerate(design.precision):
        z = y @ precision
        # A step is a run of ones to the end.
        total, on_steps = np.einsum("ij,ij->i", y, z), np.cumsum(z[:, ::-1], axis=1)[:, ::-1]
        on_steps = on_steps[:, kind.edge : n - kind.edge + 1]
        for basis, along, square in zip(design.basis[noise], design.along[noise], design.square[noise], strict=True):
            on_basis = y @ basis
            rss = np.maximum(total - np.einsum("ij,ij->i", on_basis, on_basis), 0.0)
            taken = on_basis @ along
            taken -= on_steps
            taken *= taken
            taken /= square
            left = np.maximum(rss - taken.max(axis=1), 0.0)
            for says, squares in ((without, rss), (with_step, left)):
                likelihood = -free / 2 * np.log(np.maximum(squares, floor)) - design.log_det[noise] / 2
                says.append(likelihood + known[:, noise])
    return np.asarray(_weighed(np.array(with_step)) - _weighed(np.array(without)))


def _even(t_s: Array) -> NDArray[np.bool_]:
    """Which of (m, n) times share the design of planned points none of which is lacking."""
    steps, scaled = np.diff(t_s), (t_s - t_s[:, :1]) / (t_s[:, -1:] - t_s[:, :1])
    off = np.abs(scaled - np.linspace(0, 1, t_s.shape[1])).max(axis=1)
    return np.asarray((steps.max(axis=1) <= CLOSE * np.median(steps, axis=1)) & (off * t_s.shape[1] <= EARLY_OR_LATE))


def places_of(t_s: Array) -> Array:
    """(n,) which planned reading each is: they count on, but for a gap."""
    slots = (t_s - t_s[0]) / median(np.diff(t_s))
    places = np.round(slots)
    if float(np.max(np.diff(slots))) <= CLOSE or np.any(np.diff(places) < 1):
        return np.arange(len(t_s), dtype=float)
    return np.asarray(places)


def noise_of(places: Array, at: Array, values: Array, kind: Kind) -> Array | None:
    """(noises,) log likelihoods of the kinds of noise that (n,) points show, be a step in them or not; sums up.

    Arguments as for ``likeliest_step``. None with too few points, and where a quarter of them in a row are the same:
    then it is the resolution that they show, or an instrument that is stuck.
    """
    changes = np.concatenate([[0], np.flatnonzero(np.diff(values)) + 1, [len(values)]])
    if 4 * np.max(np.diff(changes)) > len(values) or (table := _table(places, at, values, kind)) is None:
        return None
    shape = (len(WANDER), -1)
    without = _weighed(table.without.reshape(shape).T)
    with_step = _weighed(table.with_step.reshape(shape).T) - DOUBTED - math.log(table.with_step.shape[1])
    return np.asarray(without if np.max(without) > np.max(with_step) else with_step)


@dataclass(frozen=True, slots=True)
class Table:
    """Log likelihoods of (n,) points for all noises and bends, (k,) without a step and (k, j) with each."""

    design: Design
    y: Array
    floor: float  # of the sum of squares: what rounding leaves
    without: Array
    with_step: Array


def _table(places: Array, at: Array, values: Array, kind: Kind) -> Table | None:
    n = len(values)
    if n < kind.fewest:
        return None
    scaled = (at - at[0]) / (at[-1] - at[0])
    even = np.linspace(0, 1, n)
    # Points polled a little early or late share the design of the others.
    if float(np.max(np.abs(scaled - even))) * n <= (EXACT if kind.exact else EARLY_OR_LATE):
        scaled = even
    elif not kind.exact:
        scaled = np.round(scaled, 2)
    gaps = tuple(np.round(places - places[0]).astype(int).tolist())
    design = _design(gaps, tuple(scaled.tolist()), kind.edge, kind.bends, kind.exact)
    y = _flat(values, design)
    floor = float(_floor(values, kind))
    free = n - kind.parameters
    without, with_step = [], []
    for noise, precision in enumerate(design.precision):
        z = precision @ y
        total, on_steps = float(z @ y), np.cumsum(z[::-1])[::-1][kind.edge : n - kind.edge + 1]
        for basis, along, square in zip(design.basis[noise], design.along[noise], design.square[noise], strict=True):
            on_basis = basis.T @ y
            rss = max(total - float(on_basis @ on_basis), 0.0)
            left = np.maximum(rss - (on_steps - on_basis @ along) ** 2 / square, 0.0)
            without.append(-free / 2 * math.log(max(rss, floor)) - design.log_det[noise] / 2)
            with_step.append(-free / 2 * np.log(np.maximum(left, floor)) - design.log_det[noise] / 2)
    return Table(design, y, floor, np.array(without), np.array(with_step))


def _flat(values: Array, design: Design) -> Array:
    """(..., n) values without the straight line through each: every drift has one, and it would cost digits."""
    straight = np.linalg.qr(design.drift[0])[0]
    off = values - values.mean(axis=-1, keepdims=True)
    return np.asarray(off - off @ straight @ straight.T)


def _known(others: Array | None) -> Array:
    """(noises,) log likelihoods by what other series say."""
    return np.zeros(len(WANDER)) if others is None else np.maximum(others - np.max(others), -UNLIKE)


def _floor(values: Array, kind: Kind) -> Array:
    """Of the sums of squares of (..., n) values: what rounding leaves."""
    return np.asarray(values.shape[-1] * np.maximum(kind.resolution**2 / 12, (1e-9 * np.abs(values).max(axis=-1)) ** 2))


def _weighed(likelihood: Array) -> Array:
    """Log of the sum over the first axis, of logarithms."""
    top = likelihood.max(axis=0)
    return np.asarray(top + np.log(np.exp(likelihood - top).sum(axis=0)))


def _size(table: Table, place: tuple[int, int], likelihood: Array) -> tuple[float, float]:
    """(size, u) of a step: a line with a step through the nearest points on both sides. place: (point after it, local).

    Of the kinds of noise that explain the points nearly best, the one that leaves the size least certain counts.
    """
    design, y, (after, local_points) = table.design, table.y, place
    n, bends = len(y), len(design.drift)
    from_, to = max(after - local_points, 0), min(after + local_points, n)
    step = (np.arange(n) >= after).astype(float)
    local = np.column_stack([design.drift[0], step])[from_:to]
    weights = np.linalg.pinv(local)[2]
    top, size, u = int(np.argmax(likelihood)), 0.0, 0.0
    for each in np.flatnonzero(likelihood >= likelihood[top] - NEARLY):
        noise, bend = divmod(int(each), bends)
        whole = np.column_stack([design.drift[bend], step])
        columns, z = design.noises.white[noise] @ whole, design.noises.white[noise] @ y
        b = np.linalg.lstsq(columns, z, rcond=None)[0]
        if each == top:
            # The bend is taken out as the whole series shows it; the straight part is fitted anew.
            size = float(weights @ (y - design.drift[bend][:, 2:] @ b[2:-1])[from_:to])
        left = z - columns @ b
        variance = max(float(left @ left), table.floor) / max(n - len(b), 1)
        cover = design.noises.covariance[noise][from_:to, from_:to]
        u = max(u, math.sqrt(variance * float(weights @ cover @ weights)))
    return size, u


@lru_cache(maxsize=8)  # megabytes each; a session's windows have but a few lengths, which every band asks for
def _design(places: tuple[int, ...], at: tuple[float, ...], edge: int, bends: tuple[float, ...], exact: bool) -> Design:
    n, x = len(places), np.array(at)
    drift = [np.column_stack([np.ones(n), x])]
    for bend in bends:
        falling = np.exp(-x / bend)
        drift.append(np.column_stack([np.ones(n), x, falling, *([x * falling] if exact else [])]))
    noises = _noises(places)
    # A step is a run of ones to the end: what it is once white, the sum of the columns from there on.
    steps = [np.cumsum(one[:, ::-1], axis=1)[:, ::-1][:, edge : n - edge + 1] for one in noises.white]
    # All bends have the same number of columns, and are worked out together; the drift without a bend by itself.
    straight, bent = drift[0], np.array(drift[1:])
    basis = [(np.linalg.qr(one @ straight)[0], *np.linalg.qr(one @ bent)[0]) for one in noises.white]
    along = [tuple(q.T @ s for q in bases) for bases, s in zip(basis, steps, strict=True)]
    lengths = [np.einsum("ij,ij->j", s, s) for s in steps]
    square = [
        tuple(np.maximum(length - np.einsum("ij,ij->j", a, a), 1e-9) for a in alongs)
        for alongs, length in zip(along, lengths, strict=True)
    ]
    log_det = [-2 * float(np.log(np.diag(one)).sum()) for one in noises.white]
    precision = tuple(one.T @ one for one in noises.white)
    twice = tuple(tuple(one.T @ q for q in bases) for one, bases in zip(noises.white, basis, strict=True))
    return Design(tuple(drift), noises, tuple(log_det), precision, twice, tuple(along), tuple(square))


def _noises(places: tuple[int, ...]) -> Noises:
    n = len(places)
    gaps = n > LONG or places[-1] != n - 1
    return _worked_out(np.array(places)) if gaps else _without_gap().first(n)


@lru_cache(maxsize=1)
def _without_gap() -> Noises:
    return _worked_out(np.arange(LONG))


def _worked_out(places: NDArray[np.int_]) -> Noises:
    apart = np.abs(np.subtract.outer(places, places)).astype(float)
    covariance = [share * np.exp(-apart / over) + (1 - share) * np.eye(len(places)) for share, over in WANDER]
    return Noises(tuple(covariance), tuple(np.linalg.inv(np.linalg.cholesky(one)) for one in covariance))
