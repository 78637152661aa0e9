"""From block to block through the turn: how far a block may go, and where the next contact changes.

Why exact motion between changes: measured on the named set of `tests/bench/bench_running.py`, one core, processor
time of one turn and its events. Here 11 ms, in batches of 250 0.51 ms a turn, compiled (`fast`) 0.25 ms, events
within 1e-5 deg of SciPy at rtol 1e-10. LSODA with located changes takes 110 ms for 2e-5 deg; RK4 in numpy at the
longest step it bears, 58,000 to the turn, 21 s, in a batch of 1,000 33 ms a turn.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from .blocks import Blocks, Tables, base_polynomial, basis, launch, with_guards, wrong_side
from .modes import CLOSED, FREE, MODES, PER_MODE, SIDES, STATE, Local
from .system import GRAVITY, NEAR_TOP, Array, BoolArray, IntArray, Side, rest

COARSE = 10  # samples whatever rings, crowded towards the start
_SPLIT = 16
_FREE_TURN = 0.1  # rad that the gas spring's unmodelled stiffness may turn a stripper in the air
LIMIT = 200_000
# Blocks that need few samples are not made to carry the width of those that need many, once there are some.
_TOGETHER = 8
_WIDTHS = (COARSE + 1, COARSE + PER_MODE + 1)

_SIDES = np.arange(SIDES)
PINNED = CLOSED[:, Side.HANGER] | (CLOSED[:, Side.STRIPPER] & CLOSED[:, Side.DIE])
_ON_STRIP = 1 << Side.STRIPPER

FRACTION = np.arange(1, PER_MODE + 1) / PER_MODE
FRACTION_SQUARED = FRACTION * FRACTION
_OTHER = np.array([1, 0, 3, 2])
CROWDED = (np.arange(COARSE + 1) / COARSE) ** 2
SPLITS = np.arange(_SPLIT + 1) / _SPLIT
ABOUT = np.array([-1.0, -0.1, -0.01, -1e-3, -1e-4, -1e-5, 1e-6, 1e-5, 1e-4, 1e-3, 0.01, 0.1, 1.0])


@dataclass(frozen=True)
class Log:
    """What stepping leaves behind, one row a block or a sample, each variant's in the order of time.

    Parameters
    ----------
    variant, cell, mode : ndarray, shape (m,)
        Of each block.
    start, length : ndarray, shape (m,)
        Within the cell [cells].
    rates, coefficients : ndarray, shape (m, 12), (m, 4, 10)
        Of its motion.
    sample_variant, sample_time, sample_state : ndarray, shape (k,), (k,), (k, 4)
        Samples close enough to show every swing, among them every block's start; times in cells from the start
        of the turn.
    """

    variant: IntArray
    cell: IntArray
    mode: IntArray
    start: Array
    length: Array
    rates: Array
    coefficients: Array
    sample_variant: IntArray
    sample_time: Array
    sample_state: Array


@dataclass
class Front:
    """Where each variant stands: cell and time in it, state, closed contacts."""

    cell: IntArray
    start: Array
    state: Array
    mode: IntArray


def at_rest(tables: Tables) -> Front:
    """Static equilibrium at top dead centre."""
    bodies, base = tables.bodies, tables.base
    height = base.coefficients[:, 0, 0] - bodies.travel
    q, zs = rest(bodies, height)
    still = np.zeros_like(q)
    gaps = np.stack([height - q, zs - q, -zs, zs - bodies.lift], axis=-1)
    mode = ((gaps > 0.0) << _SIDES).sum(axis=1)
    return Front(np.zeros(q.size, dtype=np.intp), still, np.stack([q, zs, still, still], axis=-1), mode)


def _sample_times(blocks: Blocks, local: Local, reach: Array) -> tuple[Array, IntArray]:
    """Sample times (m, k) from 0, rising, that no living swing outruns, and how many differ.

    The last one ends the block: at its reach, or sooner where something still swings.
    """
    gain, constant, span = local.pace.transpose(1, 0, 2)
    size = np.abs(blocks.coefficients[:, :2, :FREE]).sum(axis=1)
    life = np.log(np.maximum((size + size[:, _OTHER]) * gain, 1.0)) * constant
    end = np.minimum(reach, np.where(life > span, span, np.inf).min(axis=1))[:, None]
    own = np.where(life > 0.0, np.minimum(life, span), np.inf)
    s = np.empty((reach.size, FREE * PER_MODE + COARSE + 1))
    fractions = np.where(span[:, :, None] < np.inf, FRACTION, FRACTION_SQUARED)
    np.multiply(own[:, :, None], fractions, out=s[:, COARSE + 1 :].reshape(reach.size, FREE, PER_MODE))
    np.multiply(CROWDED, end, out=s[:, : COARSE + 1])
    np.minimum(s, end, out=s)
    s.sort(axis=1)
    return s, 1 + (s < end).sum(axis=1)


def _mark_near_misses(s: Array, wrong: Array, found: BoolArray) -> None:
    """Mark samples after which a value below 0 may rise past it and return before the next one.

    Times (m, k) rise, values are (m, p, k), marks (m, k); copies of the last time at the end do no harm.

    Between two samples a peak lies below the chords of its neighbours carried on; past the last sample there
    is no chord, and the one before has to do.
    """
    gap = s[:, 1:] - s[:, :-1]
    slope = (wrong[:, :, 1:] - wrong[:, :, :-1]) / np.maximum(gap, 1e-300)[:, None]
    row, which, at = (slope[:, :, :-1] * gap[:, None, 1:] > -wrong[:, :, 1:-1]).nonzero()
    if row.size == 0:
        return
    left, own, width = slope[row, which, at], wrong[row, which, at + 1], gap[row, at + 1]
    past = np.minimum(at + 2, gap.shape[1] - 1)
    right = np.where(past == at + 2, slope[row, which, past], 0.0)
    meet = (wrong[row, which, at + 2] - own - right * width) / np.maximum(left - right, 1e-300)
    reach = np.where(right == 0.0, width, np.minimum(meet, width))
    near = (own <= 0.0) & (left > 0.0) & (right <= 0.0) & (width > 0.0) & (own + left * reach > 0.0)
    found[row[near], at[near] + 1] = True


def _locate(rates: Array, coefficients: Array, low: Array, high: Array) -> tuple[Array, Array, BoolArray]:
    """First change in (low, high]: its time, state, which contacts change; none where it was a near miss.

    The time is the first found past the change, so that the next block starts on the right side of it.
    """
    rows = np.arange(low.shape[0])
    grid = low[:, None] + (high - low)[:, None] * SPLITS
    for last in (False, False, True):
        values = coefficients @ basis(rates, grid)
        wrong = wrong_side(values)
        at = _first(wrong)
        if last:
            break
        low, high = grid[rows, at - 1], grid[rows, at]
        before, after = wrong[rows, :, at - 1], wrong[rows, :, at]
        share = np.where(after > 0.0, before / np.minimum(before - after, -1e-300), 1.0).min(axis=1)
        spread = np.minimum(np.maximum(share[:, None] + ABOUT, 0.0), 1.0)
        grid = low[:, None] + (high - low)[:, None] * spread
    return grid[rows, at], values[rows, :STATE, at], wrong[rows, :, at] > 0.0


def _first(wrong: Array) -> IntArray:
    """First place but the very first past a change, the last place if none; shape (m,)."""
    over = np.asarray((wrong > 0.0).any(axis=1))
    over[:, 0] = False
    over[:, -1] = True
    return np.asarray(over.argmax(axis=1))


def _follow(rates: Array, guards: Array, s: Array) -> tuple[Array, Array, IntArray, Array]:
    """Blocks along their samples to the first contact change, or to the last sample.

    Gives length, state there, contacts that change (as bits), states at the samples.
    """
    rows = np.arange(s.shape[0])
    values = guards @ basis(rates, s)
    wrong = wrong_side(values)
    over = np.asarray((wrong > 0.0).any(axis=1))
    over[:, 0] = False
    found = over.copy()
    _mark_near_misses(s, wrong, found)
    at = found.argmax(axis=1)  # 0 where nothing is found
    hit = at.nonzero()[0]
    at = np.where(at > 0, at, s.shape[1] - 1)
    length, arrived = s[rows, at], values[rows, :STATE, at]
    flips = np.zeros(s.shape[0], dtype=np.intp)
    if hit.size:
        at = at[hit]
        step = over[hit, at].astype(np.intp)
        low, high = s[hit, at - step], s[hit, at - step + 1]
        length[hit], arrived[hit], changed = _locate(rates[hit], guards[hit], low, high)
        flips[hit] = (changed << _SIDES).sum(axis=1)
    return length, arrived, flips, values[:, :STATE]


class _March:
    """Carries a front from block to block and keeps the log."""

    def __init__(self, tables: Tables, front: Front) -> None:
        self.tables, self.front = tables, front
        self.loose = loose_reach(tables)
        self.blocks: list[tuple[Any, ...]] = []
        self.samples: list[tuple[Any, ...]] = []

    def log(self) -> Log:
        columns = [np.concatenate(column) for part in (self.blocks, self.samples) for column in zip(*part, strict=True)]
        order = [np.argsort(columns[place], kind="stable") for place in (0, 7)]
        return Log(*(column[order[place >= 7]] for place, column in enumerate(columns)))

    def step(self, live: IntArray) -> None:
        """One block further."""
        front, tables = self.front, self.tables
        cell, start, mode, state = front.cell[live], front.start[live], front.mode[live], front.state[live]
        local = tables.modes.take(live * MODES + mode)
        base = base_polynomial(tables, live, cell, start)
        left = 1.0 - start
        reach = left
        if tables.has_gas:
            reach = np.where(PINNED[mode], left, np.minimum(left, self.loose[live]))
        blocks = launch(tables, local, live, state, base, reach)
        s, count = _sample_times(blocks, local, reach)
        guards = with_guards(blocks, local, base)
        length, begin = np.empty_like(start), cell + start
        for rows, width in _by_width(count):
            who, times = live[rows], s[rows, :width]
            ends, front.state[who], flips, states = _follow(blocks.rates[rows], guards[rows], times)
            length[rows] = ends
            front.mode[who] ^= flips
            row, place = (times < ends[:, None]).nonzero()
            self.samples.append((who[row], begin[rows][row] + times[row, place], states[row, :, place]))
        self.blocks.append((live, cell, mode, start, length, blocks.rates, blocks.coefficients))
        done = length >= left
        front.cell[live] = cell + done
        front.start[live] = np.where(done, 0.0, start + length)

    def touched(self) -> IntArray:
        """Cell in which each variant's stripper first touches the strip; the turn's cells if it does not."""
        first = np.full(self.front.mode.size, self.tables.base.cells)
        for variant, cell, mode, *_ in self.blocks:
            on = (mode & _ON_STRIP) > 0
            first[variant[on]] = np.minimum(first[variant[on]], cell[on])
        return first


def march(tables: Tables, front: Front) -> Log:
    """Carry every variant through one turn, and a strip that still moves on to the next touch.

    Parameters
    ----------
    tables : Tables
    front : Front
        Where to start; used up.

    Raises
    ------
    RuntimeError
        Where a turn takes more blocks than any real one.
    """
    way, cells = _March(tables, front), tables.base.cells
    live = np.arange(front.mode.size)
    while live.size:
        if len(way.blocks) > LIMIT:
            raise RuntimeError("the contacts of the running reading change without end")
        way.step(live)
        live = live[front.cell[live] < cells]
    last = way.touched()
    live = np.arange(front.mode.size)
    while (live := live[_restless(tables, front, live, last)]).size:
        if len(way.blocks) > LIMIT:
            raise RuntimeError("the contacts of the running reading change without end")
        way.step(live)
    return way.log()


def _restless(tables: Tables, front: Front, live: IntArray, last: IntArray) -> BoolArray:
    """Variants past the turn whose strip may yet cross the height that counts as raised before the next touch."""
    b = tables.bodies
    strip, speed = front.state[live, 1], front.state[live, 3] / tables.base.cell_time[live]
    over = np.maximum(strip - b.lift[live], 0.0)
    energy = 0.5 * b.strip_mass[live] * speed * speed + 0.5 * b.stiffness[live] * over * over
    hold = b.lifter_force[live] - b.strip_mass[live] * GRAVITY
    moves = (strip < b.lift[live] - 0.5 * NEAR_TOP) | (energy > 0.25 * NEAR_TOP * hold)
    early = front.cell[live] - tables.base.cells <= last[live]
    return np.asarray(early & (moves | (front.start[live] > 0.0)))


def _by_width(count: IntArray) -> list[tuple[slice | IntArray, int]]:
    """Rows in groups, each with the samples to take; never less than differ."""
    most = int(count.max())
    if count.size <= _TOGETHER:
        return [(slice(None), most)]
    group = np.searchsorted(_WIDTHS, count)
    groups = [(np.flatnonzero(group == place), width) for place, width in enumerate((*_WIDTHS, most))]
    return [(rows, width) for rows, width in groups if rows.size]


def loose_reach(tables: Tables) -> Array:
    """Longest block of a stripper in the air, whose gas springs are only linear in parts [cells]."""
    bodies = tables.bodies
    ends = np.array([np.zeros_like(bodies.travel), bodies.travel])
    drift = np.abs(bodies.gas(ends)[1] - tables.gas_rate).max(axis=0)
    turn = np.sqrt(np.maximum(drift, 1e-9) / bodies.stripper_mass) * tables.base.cell_time
    return np.asarray(_FREE_TURN / turn)
