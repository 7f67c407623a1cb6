"""What the records say, sorted by kind; and all places on the life axis in one list, so that each step is taken once for all kinds."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

Pair = tuple[np.ndarray, np.ndarray]


@dataclass(frozen=True, slots=True)
class Points:
    """Places on the life axis: log miles = y [+ mu of the use] [+ log exposure] [- log exposure at the
    reading].

    y: (D, n). use: (D, n) codes, or None where the miles are known. num, den: pairs (days before, days after)
    the age at which the driving rate may change, each (D, n), or None. D is 1 (data shared) or the number of
    replicates.
    """

    y: np.ndarray
    use: np.ndarray | None = None
    num: Pair | None = None
    den: Pair | None = None


@dataclass(frozen=True, slots=True)
class Block:
    """Rows of one kind. x: (D, n, q) with the intercept first; w: (D, n), 0 for padding; points by name."""

    kind: (
        str  # exact, running, interval, left, entry, unread, unread_alive, unread_exact, unread_interval, unread_entry
    )
    x: np.ndarray
    w: np.ndarray
    at: Points
    # running: the reading; interval: the upper end, as is ``at`` of left; unread: the entry
    other: Points | None = None
    # unread: as of `lifedata.before_reading`, (D, n)
    before_read: np.ndarray | None = None

    @property
    def end(self) -> Points:
        """The upper end of an interval."""
        assert self.other is not None
        return self.other


@dataclass(frozen=True, slots=True)
class Rates:
    """Known miles per day: log miles (D, n) at an age split in two (D, n); w (D, n).

    read (D, n): w where a survivor was read. fell (D, n): w where the age is that of a failure: there miles and age are
    both outcomes, so the density of (miles, age) carries d log rate/d age, which depends on the decline.
    """

    log_miles: np.ndarray
    age: Pair
    use: np.ndarray
    w: np.ndarray
    read: np.ndarray
    fell: np.ndarray


@dataclass(frozen=True, slots=True)
class Rows:
    """All records of one fleet (D = 1) or of D fleets. ``constant``: terms free of theta, (D,)."""

    blocks: tuple[Block, ...]
    rates: Rates | None
    columns: int
    uses: int
    reported: np.ndarray  # (D,) weight of reported failures
    constant: np.ndarray  # (D,)


# ---- in one list
@dataclass(frozen=True, slots=True)
class Group:
    """Rows of one kind: weights w (D, n), places ``at`` of their life and, where they have one, of their ``other`` end; of those unread how much of
    the life lies before a reading, before_read (D, n)."""

    w: np.ndarray
    at: slice
    other: slice
    before_read: np.ndarray


@dataclass(frozen=True, slots=True)
class Stacked:
    """``Rows`` in one list of places: x (D, q, P), log miles y (D, P), at the miles a day of a use where of_use (D, uses, P) is 1.

    num, den: days before and after the age at which driving may change, (D, P) each, None where no place has any. known: how many
    places, the first ones, have known miles. groups: by kind. rates, reported, constant: as in ``Rows``.
    """

    x: np.ndarray
    y: np.ndarray
    of_use: np.ndarray
    num: Pair | None
    den: Pair | None
    known: int
    groups: dict[str, Group]
    rates: Rates | None
    reported: np.ndarray
    constant: np.ndarray

    def pick(self, which: np.ndarray | slice) -> Stacked:
        """The data of the replicates ``which``."""

        def cut(a: np.ndarray) -> np.ndarray:
            return a if a.shape[0] == 1 else a[which]

        def both(pair: Pair | None) -> Pair | None:
            return None if pair is None else (cut(pair[0]), cut(pair[1]))

        r = self.rates
        if r is not None:
            r = Rates(cut(r.log_miles), (cut(r.age[0]), cut(r.age[1])), cut(r.use), cut(r.w), cut(r.read), cut(r.fell))
        return replace(
            self,
            x=cut(self.x),
            y=cut(self.y),
            of_use=cut(self.of_use),
            num=both(self.num),
            den=both(self.den),
            groups={k: replace(g, w=cut(g.w), before_read=cut(g.before_read)) for k, g in self.groups.items()},
            rates=r,
            reported=cut(self.reported),
            constant=cut(self.constant),
        )


#: the groups whose places have known miles, then those whose have not
_KNOWN = ("exact", "survived", "running", "interval", "left")
_UNKNOWN = ("unread", "unread late", "average", "unread_exact", "unread_interval")


def _kind(block: Block) -> tuple[str, float]:
    """The group a block goes to, and the sign of its weights there: entries are survivals taken back."""
    late = block.other is not None
    return {
        "running": ("running" if late else "survived", 1.0),
        "entry": ("survived", -1.0),
        "unread": ("unread late" if late else "unread", 1.0),
        "unread_alive": ("average", 1.0),
        "unread_entry": ("average", -1.0),
    }.get(block.kind, (block.kind, 1.0))


def stack(rows: Rows, uses: int) -> Stacked:
    """``rows`` with their places in one list. uses: how many the layout has."""
    places, groups, known = _sorted(rows)
    line = _Line(len(rows.constant), places)
    use = line.up([_UNUSED if p.use is None else p.use for _, p in places])
    x = [np.broadcast_to(x, (line.replicates, *x.shape[1:])).swapaxes(1, 2) for x, _ in places]
    return Stacked(
        x=np.concatenate([np.zeros((line.replicates, rows.columns, 0)), *x], axis=2),
        y=line.up([p.y for _, p in places]),
        of_use=(use[:, None, :] == np.arange(uses)[:, None]).astype(float),
        num=line.days([p.num for _, p in places]),
        den=line.days([p.den for _, p in places]),
        known=known,
        groups=groups,
        rates=rows.rates,
        reported=rows.reported,
        constant=rows.constant,
    )


def _sorted(rows: Rows) -> tuple[list[tuple[np.ndarray, Points]], dict[str, Group], int]:
    """Covariates and places in the order of the list, its groups, and how many places have known miles."""
    blocks: dict[str, list[tuple[Block, float]]] = {}
    for block in rows.blocks:
        kind, sign = _kind(block)
        blocks.setdefault(kind, []).append((block, sign))
    groups: dict[str, Group] = {}
    places: list[tuple[np.ndarray, Points]] = []
    end = known = 0
    for kind in (k for k in (*_KNOWN, *_UNKNOWN) if k in blocks):
        own = blocks[kind]
        group = _group(own, end)
        places += [(block.x, block.at) for block, _ in own]
        places += [(block.x, block.other) for block, _ in own if block.other is not None]
        end = group.other.stop
        known = end if kind in _KNOWN else known
        groups[kind] = group
    if "unread late" in groups:
        # whoever came late is taken given that it had lived to its entry: those places lie just before those of the average
        late, rest = groups["unread late"], groups.get("average")
        weights = [-late.w] if rest is None else [-late.w, rest.w]
        stop = late.other.stop if rest is None else rest.at.stop
        groups["average"] = Group(np.concatenate(weights, axis=1), slice(late.other.start, stop), late.other, _NONE)
    return places, groups, known


def _group(own: list[tuple[Block, float]], start: int) -> Group:
    w = np.concatenate([sign * block.w for block, sign in own], axis=1)
    middle = start + w.shape[1]
    at = slice(start, middle)
    before = [block.before_read for block, _ in own if block.before_read is not None]
    return Group(
        w,
        at,
        at if own[0][0].other is None else slice(middle, middle + w.shape[1]),
        np.concatenate(before, axis=1) if before else _NONE,
    )


_NONE = np.ones((1, 0))
_UNUSED = np.full((1, 1), -1)
#: where there are none, one day before and none after: their log is 0
_NO_DAYS = np.ones((1, 1)), np.zeros((1, 1))


class _Line:
    """Figures of the places of several blocks, put in one line."""

    def __init__(self, replicates: int, places: list[tuple[np.ndarray, Points]]):
        self.replicates, self.lengths = replicates, [x.shape[1] for x, _ in places]

    def up(self, each: list[np.ndarray]) -> np.ndarray:
        """(D or 1, n or 1) of all blocks as (D, P)."""
        shapes = [(self.replicates, n) for n in self.lengths]
        wide = [a if a.shape == s else np.broadcast_to(a, s) for a, s in zip(each, shapes, strict=True)]
        return np.concatenate([np.zeros((self.replicates, 0)), *wide], axis=1)

    def days(self, pairs: list[Pair | None]) -> Pair | None:
        """Days before and after; None where no block has any."""
        if all(pair is None for pair in pairs):
            return None
        full = [pair or _NO_DAYS for pair in pairs]
        return self.up([before for before, _ in full]), self.up([after for _, after in full])
