"""What a sentence about a return says: which components were damaged, which part, how. A guess, for the owner to confirm row by row."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain

from analytics.records.headings import heading_key
from analytics.records.names import fold, slip_between
from analytics.start.vocabulary import (
    ABOUT,
    COMPONENT_WORDS,
    FINDING_WORDS,
    IN_SENTENCES,
    JOINING,
    LASTED,
    NO_DISTANCE,
    NO_SLIPS,
    ON_IT,
    ONLY,
    PUT_IN,
    WHOLE,
)


def _any_of(phrases: Sequence[str]) -> re.Pattern[str]:
    return re.compile(rf"\b(?:{'|'.join(phrases)})\b", re.IGNORECASE)


#: where one statement ends and the next begins; that a thing is whole; that it was put in
_CLAUSES = re.compile(rf"[.;,!\n]|{_any_of(JOINING).pattern}", re.IGNORECASE)
#: letters of a word from which on a slip in it is looked for
_LONG = 5
_WHOLE, _PUT_IN = _any_of(WHOLE), _any_of(PUT_IN)
#: a distance: "61k", "about 50,000 mi"; not money, a range, nor a figure of something else; and the least that is one
_FAR = re.compile(
    rf"(?P<about>~|{_any_of(ABOUT).pattern}\.?\ )?"
    r"(?<![\w$€£.,/-])(?P<figure>\d{1,3}(?:,\d{3})+|\d+(?:\.\d+)?)\ ?(?P<k>k\b)?\ ?(?P<unit>(?:miles?|mi|kms?)\b)?"
    rf"(?!\ ?(?:[$€]|{_any_of(NO_DISTANCE).pattern}))",
    re.IGNORECASE,
)
_LEAST_FAR = 1000.0
#: words before and behind it by which it counts from the build; and before it by which it may
_AFTER, _ON_IT = (
    re.compile(rf"{_any_of(LASTED).pattern}\W*$", re.IGNORECASE),
    re.compile(rf"\W*{_any_of(ON_IT).pattern}", re.IGNORECASE),
)
_EITHER = re.compile(rf"{_any_of(ONLY).pattern}\W*$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Said:
    """One component that a sentence speaks of: the part, what was found and what was put in, "" where it does not say."""

    component: str
    part: str = ""
    finding: str = ""
    replaced_with: str = ""


def distance_in(sentence: str) -> dict[str, str]:
    """The one distance that a ``sentence`` tells, under our heading; nothing where it tells none, or more, or does not say from when."""
    told = list(filter(_is_far, _FAR.finditer(sentence)))
    if len({t["figure"] for t in told}) != 1:
        return {}
    before, behind = sentence[: told[0].start()], sentence[told[0].end() :]
    since = bool(_AFTER.search(before) or _ON_IT.match(behind))
    text = f"{'~' if told[0]['about'] else ''}{told[0]['figure']}{told[0]['k'] or ''} {told[0]['unit'] or ''}".strip()
    return {} if _EITHER.search(before) else {"miles_in_service" if since else "odometer": text}


def _is_far(told: re.Match[str]) -> bool:
    figure = float(told["figure"].replace(",", "")) * (1000 if told["k"] else 1)
    return bool(told["k"] or told["unit"]) and figure >= _LEAST_FAR


@dataclass(frozen=True, slots=True)
class Lexicon:
    """What can be recognised: component -> words for it; folded name of a part -> (component, part); finding -> words for it. initials: names of
    parts too short to be told from words but by their capitals -> (component, part)."""

    components: Mapping[str, tuple[str, ...]]
    parts: Mapping[str, tuple[str, str]]
    initials: Mapping[str, tuple[str, str]]
    findings: Mapping[str, tuple[str, ...]]


def lexicon(components: Mapping[str, str], parts: Mapping[str, Sequence[str]]) -> Lexicon:
    """components: name -> its heading in builds; parts: component -> names of its parts, the likeliest first."""
    words = {name: _words_for(name, heading) for name, heading in components.items()}
    pairs = [(component, part) for component, names in parts.items() for part in names]
    named = {fold(part): (component, part) for component, part in reversed(pairs) if len(fold(part)) >= 3}
    short = {part: (component, part) for component, part in reversed(pairs) if len(fold(part)) == 2 and part.isupper()}
    return Lexicon(words, named, short, FINDING_WORDS)


def _words_for(name: str, heading: str) -> tuple[str, ...]:
    own = {heading_key(name), heading_key(heading)}
    known = ((*words, *IN_SENTENCES.get(c, ())) for c, words in COMPONENT_WORDS.items() if own & set(words))
    return tuple(dict.fromkeys((heading_key(name), heading_key(heading), *next(known, ()))))


@dataclass(slots=True)
class _Told:
    """What was gathered of one component so far."""

    part: str = ""
    finding: str = ""
    put_in: str = ""
    damaged: bool = False


def understand(sentence: str, known: Lexicon) -> list[Said]:
    """The damaged components that a sentence names by words that are known, in its order; none where it names none."""
    found: dict[str, _Told] = {}
    loose = ""
    for clause in _CLAUSES.split(sentence):
        said = _spelt(clause, known)
        finding = _finding_in(heading_key(said), known)
        if not _gather(said, finding, known, found):
            loose = loose or finding
    damaged = dict(filter(lambda told: told[1].damaged, found.items()))
    if not damaged and loose and len(found) == 1:  # what broke is told by what was put in for it
        damaged = found
    return [Said(c, t.part, t.finding or loose, t.put_in) for c, t in damaged.items()]


def _spelt(clause: str, known: Lexicon) -> str:
    """A clause with words a slip away from one of a component spelt as it is."""
    names = set(chain.from_iterable(map(str.split, chain.from_iterable(known.components.values()))))
    long = sorted(filter(lambda name: len(name) >= _LONG, names))
    return re.sub(r"[^\W\d_]{4,}", lambda word: _mended(word[0], names, long), clause)


def _mended(word: str, names: Collection[str], long: Sequence[str]) -> str:
    small = word.casefold()
    if small in NO_SLIPS or small in names or small.removesuffix("s") in names:
        return word
    return next(filter(lambda name: name[0] == small[0] and slip_between(name, small), long), word)


def _gather(clause: str, finding: str, known: Lexicon, found: dict[str, _Told]) -> bool:
    """Add what a clause says of components to what was found; whether it speaks of any, or says that all is well."""
    words = heading_key(clause)
    parts = dict(reversed([*_parts_in(words, known), *_initials_in(clause, known)]))
    spoken = dict.fromkeys([*reversed(parts), *_components_in(words, known)])
    whole = bool(_WHOLE.search(clause)) and not finding
    for told in filter(lambda told: whole and not told.finding, filter(None, map(found.get, spoken))):
        told.damaged = False  # what one suspected, and another found whole
    for component in filter(lambda c: not whole, spoken):
        told = found.setdefault(component, _Told())
        if _PUT_IN.search(clause) and not finding:
            told.put_in = parts.get(component, "")
        else:
            told.damaged, told.part = True, told.part or parts.get(component, "")
            told.finding = told.finding or finding
    return bool(spoken) or whole


def _parts_in(words: str, known: Lexicon) -> list[tuple[str, str]]:
    """Parts named in a clause: up to three words in a row that fold to the name of one."""
    tokens = words.split()
    runs = [tokens[at : at + n] for at in range(len(tokens)) for n in (3, 2, 1)]
    hits = filter(None, (known.parts.get(fold("".join(run))) for run in runs))
    return list(dict.fromkeys(hits))


def _initials_in(clause: str, known: Lexicon) -> list[tuple[str, str]]:
    return list(filter(None, map(known.initials.get, re.findall(r"\w+", clause))))


def _components_in(words: str, known: Lexicon) -> list[str]:
    """Components named in a clause, in its order; of words inside longer ones the longer counts."""
    text = f" {words} "
    forms = [(f" {name}{end} ", c) for c, names in known.components.items() for name in names for end in ("", "s")]
    spots = sorted((text.find(form), -len(form), c) for form, c in forms if form in text)
    found: list[str] = []
    end = -1
    for at, length, component in spots:
        if at >= end:
            found.append(component)
            end = at - length - 1
    return found


def _finding_in(words: str, known: Lexicon) -> str:
    text = f" {words} "
    forms = [(f" {w} ", finding) for finding, names in known.findings.items() for w in names]
    return min(((text.find(form), finding) for form, finding in forms if form in text), default=(0, ""))[1]
