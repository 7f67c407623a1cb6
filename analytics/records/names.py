"""Names that may be one, spelt two ways: alike but for punctuation, look-alike letters, or one slip in a long word."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Mapping
from dataclasses import dataclass

#: letters of other alphabets that look like Latin ones
_LOOKS = str.maketrans(
    dict(zip("авсенкмортхуіјѕ", "abcehkmoptxyijs", strict=True))
    | dict(zip("αβεηικμνορτυχζ", "abehikmnoptyxz", strict=True))
)
#: a slip is looked for in words at least this long, one letter left out perhaps: of a shorter one a letter is a designation
_LONG = 5
#: letters that are left of a word cut short, at least
_CUT = 3
#: a name met as often at most, one slip from one met this many times as often, may be that one however short it is
_RARE, _TIMES = 2, 10
#: a column of more names than this holds no names of parts
_MOST = 1000


@dataclass(frozen=True, slots=True)
class Alike:
    """Names that may be one: the one met most, the others, and how often each was met. sure: they differ in punctuation, spaces,
    capitals or look-alike letters alone; else in one slip of the pen."""

    name: str
    others: tuple[str, ...]
    counts: tuple[int, ...]
    sure: bool


def fold(name: str) -> str:
    """A name without case, accents, spaces, punctuation, invisible and look-alike letters: 'IS-A', 'is a' and 'ISА' are one."""
    text = unicodedata.normalize("NFKD", name.casefold()).translate(_LOOKS)
    text = re.sub(r"[\W_]+", "", "".join(c for c in text if not unicodedata.combining(c)))
    return re.sub(r"(?<=\d)o|o(?=\d)", "0", text)


def one_slip(one: str, other: str) -> bool:
    """Whether two names, ``one`` and the ``other``, differ by one wrong, missing, extra or swapped letter inside a long word, and in nothing else."""
    ours, theirs = (re.findall(r"\w+", name.casefold()) for name in (one, other))
    if len(ours) != len(theirs):
        return False
    apart = [(a, b) for a, b in zip(ours, theirs, strict=True) if a != b]
    return len(apart) == 1 and _one_edit(*apart[0])


def shortened(one: str, other: str) -> bool:
    """Whether two names, ``one`` and the ``other``, are the same but for words cut short: 'stg 2' and 'stage 2', 'bil. shaft' and 'billet shaft'."""
    ours, theirs = (re.findall(r"\w+", name.casefold()) for name in (one, other))
    apart = [sorted(pair, key=len) for pair in zip(ours, theirs, strict=False) if pair[0] != pair[1]]
    return len(ours) == len(theirs) and bool(apart) and all(_cut(short, long) for short, long in apart)


def _cut(short: str, long: str) -> bool:
    """Whether one word is the beginning of a ``long`` one, or that without its vowels."""
    words = len(short) >= _CUT and short.isalpha() and long.isalpha()
    return words and (long.startswith(short) or short == long[0] + re.sub("[aeiou]", "", long[1:]))


def _one_edit(a: str, b: str) -> bool:
    long = max(len(a), len(b)) >= _LONG and min(len(a), len(b)) >= _LONG - 1
    return long and re.sub(r"\D", "", a) == re.sub(r"\D", "", b) and slip_between(a, b)


def slip_between(a: str, b: str) -> bool:
    """Whether two different texts, ``a`` and ``b``, are one wrong, missing, extra or swapped character apart."""
    a, b = sorted((a, b), key=len)
    if len(b) - len(a) > 1:
        return False
    at = next((k for k in range(len(a)) if a[k] != b[k]), len(a))
    if len(a) < len(b):
        return a[at:] == b[at + 1 :]
    return a[at + 1 :] == b[at + 1 :] or (a[at : at + 2] == b[at : at + 2][::-1] and a[at + 2 :] == b[at + 2 :])


def alike(counts: Mapping[str, int], component: str = "") -> list[Alike]:
    """Names that may be one, the name met most first; of equals the first by letter. counts: how often each name was met; component: whose
    parts they are: 'Billet' may be 'Billet shaft'."""
    groups: dict[str, list[str]] = {}
    for name in sorted(filter(fold, counts), key=lambda name: (-counts[name], name)):
        groups.setdefault(fold(name), []).append(name)
    several = filter(lambda members: len(set(map(str.casefold, members))) > 1, groups.values())
    leads = [members[0] for members in groups.values()]
    return [_group(members, counts, True) for members in several] + _slips(leads, counts, component)


def _slips(leads: list[str], counts: Mapping[str, int], component: str) -> list[Alike]:
    """Names one slip, or words of the component, away from one met far more often."""
    own = set(component.casefold().split())
    found: list[Alike] = []
    left = list(leads) if len(leads) <= _MOST else []
    while left:
        lead = left.pop(0)
        slips = list(filter(lambda other: _may_be(lead, other, counts, own), left))
        found += [_group([lead, *slips], counts, False)] if slips else []
        left = list(filter(lambda other: other not in slips, left))
    return found


def _may_be(lead: str, other: str, counts: Mapping[str, int], own: Collection[str]) -> bool:
    """Whether a name may be the other one: with any slip where it is rare; else, met a third as often at most, with a slip in a long word or
    but for words of the component's ``own``."""
    rare = counts[other] <= _RARE and counts[other] * _TIMES <= counts[lead]
    if rare and slip_between(other.casefold(), lead.casefold()):
        return True
    return (
        shortened(lead, other)
        or _remarked(lead, other)
        or (counts[other] * 3 <= counts[lead] and _near(lead, other, own))
    )


def _remarked(lead: str, other: str) -> bool:
    """Whether a name is the ``lead`` with a remark behind it: 'IS-A (new)', 'IS-A x2', 'IS-A used'."""
    rest = other.casefold().removeprefix(lead.casefold())
    return (
        rest != other.casefold() and re.fullmatch(r"\s*\(.*\)|,? (?:new|used|reused|rebuilt|x ?\d)", rest) is not None
    )


def _near(one: str, other: str, own: Collection[str]) -> bool:
    """Whether two names differ by a slip, or in words of the component's ``own`` alone."""
    bare = [" ".join(word for word in name.casefold().split() if word not in own) for name in (one, other)]
    return one_slip(one, other) or (bool(fold(bare[0])) and fold(bare[0]) == fold(bare[1]))


def _group(members: list[str], counts: Mapping[str, int], sure: bool) -> Alike:
    return Alike(members[0], tuple(members[1:]), tuple(counts[m] for m in members), sure)
