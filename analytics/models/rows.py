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
    """Rows of one kind: weights w (D, n), places ``at`` of their life and, where they have one, of their ``other`` end."""

    w: np.ndarray
    at: slice
    other: slice


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

    def pick(self, which: np.ndarray) -> Stacked:
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
            groups={k: replace(g, w=cut(g.w)) for k, g in self.groups.items()},
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
    blocks: dict[str, list[tuple[Block, float]]] = {}
    for block in rows.blocks:
        kind, sign = _kind(block)
        blocks.setdefault(kind, []).append((block, sign))
    groups: dict[str, Group] = {}
    places: list[tuple[np.ndarray, Points]] = []
    end = known = 0
    for kind in (*_KNOWN, *_UNKNOWN):
        own = blocks.get(kind, [])
        weights = [sign * block.w for block, sign in own]
        start, size = end, sum(w.shape[1] for w in weights)
        places += [(block.x, block.at) for block, _ in own]
        places += [(block.x, block.other) for block, _ in own if block.other is not None]
        end += size * (2 if own and own[0][0].other is not None else 1)
        at, other = slice(start, start + size), slice(end - size, end)
        if kind == "average" and "unread late" in groups:
            # whoever came late is taken given that it had lived to its entry, and those places lie just before
            late = groups["unread late"]
            weights, at = [-late.w, *weights], slice(late.other.start, end)
        if weights:
            groups[kind] = Group(np.concatenate(weights, axis=1), at, other)
        if kind == _KNOWN[-1]:
            known = end
    replicates = len(rows.constant)

    def together(each: list[np.ndarray]) -> np.ndarray:
        """(D or 1, n or 1) of all places, as (D, P)."""
        wide = [np.broadcast_to(a, (replicates, x.shape[1])) for a, (x, _) in zip(each, places, strict=True)]
        return np.concatenate([np.zeros((replicates, 0)), *wide], axis=1)

    def days(name: str) -> Pair | None:
        pairs = [getattr(p, name) for _, p in places]
        if all(pair is None for pair in pairs):
            return None
        # where there are none, one day before and none after: their log is 0
        none = np.ones((1, 1)), np.zeros((1, 1))
        return together([(pair or none)[0] for pair in pairs]), together([(pair or none)[1] for pair in pairs])

    use = together([np.full((1, 1), -1) if p.use is None else p.use for _, p in places])
    x = [np.broadcast_to(x, (replicates, *x.shape[1:])).swapaxes(1, 2) for x, _ in places]
    return Stacked(
        x=np.concatenate([np.zeros((replicates, rows.columns, 0)), *x], axis=2),
        y=together([p.y for _, p in places]),
        of_use=(use[:, None, :] == np.arange(uses)[:, None]).astype(float),
        num=days("num"),
        den=days("den"),
        known=known,
        groups=groups,
        rates=rows.rates,
        reported=rows.reported,
        constant=rows.constant,
    )
