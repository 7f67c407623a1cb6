"""What is said of a folder looked through for the first time: the proposed shop.toml with its remarks, and what was found."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from itertools import chain

from analytics.errors import AnalyticsError, SheetMissing
from analytics.reasons import Guess
from analytics.records.files import TEXT_FILE
from analytics.records.load import Records
from analytics.records.names import Alike
from analytics.start.match import Match
from analytics.start.propose import Proposal, Setting
from analytics.start.sentences import Sentence
from analytics.words.listing import never_told, too_much_lost, verdict
from analytics.words.phrases import listed, plural
from analytics.words.saying import say, says, texts

texts(
    {
        Guess.NAME: "the folder's name",
        Guess.FROM_TEXT: "recognised in the sentences of {page}; a row counts when you write yes under confirmed",
        Guess.DATES: "{only} dates such as {example} can be read no other way, and none says otherwise",
        Guess.UNIT_OF_HEADING: 'the heading "{heading}" says so',
        Guess.UNIT_OF_CELLS: lambda cells, example: (
            f"the cells that name one say so, {cells:,} such as {_short(example)}"
        ),
        Guess.UNIT_BY_SIZE: "the figure in the middle is {middle:,.0f}",
        Guess.UNIT_LIKE_OTHERS: "bare figures name no unit; the other units are metric",
        Guess.UNIT_USUAL: "bare figures name no unit; the usual one is taken",
        Guess.INSTEAD: "one letter apart, one word shorter or cut short: if they are one, delete the line of that name above and the # here",
        Guess.SEPARATE: "you said it is another part",
        Guess.WHICH: "leave the one it is, and take the # before the line away",
        Guess.LISTED: "stands in {rows} cells of {heading!r}, always at this place in the list",
        Guess.RECORDS_START: "if returns were not written down before some day, say which and take the # away",
    }
)


@says(Guess.COMPONENT)
def _holds(parts: Sequence[tuple[str, int]], distinct: int) -> str:
    more = f" and {distinct - len(parts)} more" if distinct > len(parts) else ""
    return f"holds {_met(parts)}{more}"


texts(
    {
        Guess.PAGES: lambda pages, rows: (
            f"by headings, {plural(rows, 'row')}" + (f" on {len(pages)} pages" if len(pages) > 1 else "")
        ),
        Guess.KINDS: lambda heading, words: (
            f"one page holds several sheets: rows with {listed(words)} under {heading!r}"
        ),
        Guess.LINES: lambda component, part: (
            f"a row for each part: {component!r} names the component, {part!r} the part; they are read together, a unit each"
        ),
        Guess.HEADING: lambda example, filled: (
            f"for example {_short(example)}; {plural(filled, 'cell')} filled" if example else "nothing in it yet"
        ),
        Guess.HEADINGS: lambda headings: f"called {len(headings)} ways on different pages, or side by side",
        Guess.SPELLINGS: lambda met: f"the same but for spaces, points or look-alike letters: {_met(met)}",
        Guess.SLIPS: lambda met: (
            f"one letter apart, one word shorter or cut short: {_met(met)}; a # before the line keeps them two parts"
        ),
        Guess.SAME_WORDS: lambda met: f"met {_met(met)}",
    }
)


def _met(counts: Sequence[tuple[str, int]]) -> str:
    return ", ".join(f"{_short(name)} ({n:,})" for name, n in counts)


def _short(text: str) -> str:
    one = " ".join(str(text).split())
    return one if len(one) <= 40 else one[:39] + "…"


# ---- shop.toml -----------------------------------------------------------------------------------------------------

_HEAD = """# How to read this shop's sheets. Written by the start command from what it found; nothing else was changed.
# Every line can be changed here; what you change is kept when start is run again. # begins a remark; GUESS marks what to look at.
"""


def toml_text(proposal: Proposal, old: str | None, told: Mapping[str, object]) -> str:
    """shop.toml with the lines of a ``proposal``. old: the file as it stands, whose lines all stay, and ``told`` what they set; only what it
    does not set is added."""
    lines = (old.rstrip("\n").split("\n") if old.strip() else []) if old is not None else _HEAD.rstrip("\n").split("\n")
    for section in dict.fromkeys(s.section for s in proposal.settings):
        new = [s for s in proposal.settings if s.section == section and not _is_set(told, s, old or "")]
        lines = _with(lines, section, [_line(s) for s in new]) if new else lines
    return "\n".join(lines) + "\n"


def _is_set(told: Mapping[str, object], setting: Setting, old: str) -> bool:
    """Whether the file sets a line, or the whole of what it is about, already."""
    where: object = dict(told)
    for name in _names(setting.section):
        where = where.get(name, {}) if isinstance(where, dict) else {}
    if not isinstance(where, dict):
        return True
    if setting.remark:
        return bool(old)
    first = setting.section.split(".")[0]
    if first in ("components", "sheets"):
        return bool(where)  # the owner's list of components, and his place of a sheet, are whole
    if first in ("parts", "words"):
        return _word_taken(where, [setting.key, *_list(setting.value)])
    return setting.key in where


def _word_taken(where: dict, words: Sequence[str]) -> bool:
    known = {str(w).casefold() for key, others in where.items() for w in (key, *_list(others))}
    return any(word.casefold() in known for word in words)


def _list(value: object) -> list[str]:
    return [str(v) for v in value] if isinstance(value, list) else []


def _names(section: str) -> list[str]:
    return [quoted or bare for quoted, bare in re.findall(r'"([^"]*)"|([^."]+)', section)]


def _with(lines: list[str], section: str, new: list[str]) -> list[str]:
    """The lines of the file with those of a section added at its end; a new section goes to the end of the file."""
    wanted = _names(section)
    heads = [k for k, line in enumerate(lines) if line.lstrip().startswith("[")]
    at = next(
        (
            k
            for k in heads
            if _names(lines[k].split("#")[0].strip().strip("[]").strip()) == wanted and "[[" not in lines[k]
        ),
        None,
    )
    if at is None:
        return [*lines, "", f"[{section}]", *new]
    end = next((k for k in heads if k > at), len(lines))
    while end > at + 1 and (not lines[end - 1].strip() or lines[end - 1].lstrip().startswith("#")):
        end -= 1
    return [*lines[:end], *new, *lines[end:]]


def _line(setting: Setting) -> str:
    key = setting.key if re.fullmatch(r"[A-Za-z0-9_-]+", setting.key) else _quoted(setting.key)
    why = say(setting.why) if setting.why is not None else ""
    remark = "  # " + ("" if setting.sure else "GUESS: ") + " ".join(why.split()) if why else ""
    return f"{'# ' if setting.remark else ''}{key} = {_value(setting.value)}{_printable(remark)}"


def _value(value: object) -> str:
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_quoted(str(k))} = {_value(v)}" for k, v in value.items()) + " }"
    return _quoted(str(value))


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return (
        '"'
        + "".join(
            c if c.isprintable() else f"\\u{ord(c):04x}" if ord(c) < 0x10000 else f"\\U{ord(c):08x}" for c in escaped
        )
        + '"'
    )


def quoted_text(text: str) -> str:
    """A text as it stands between the quotes of a TOML string."""
    return _quoted(text)[1:-1]


def _printable(text: str) -> str:
    return "".join(c if c.isprintable() else "·" for c in text)


# ---- what was found ------------------------------------------------------------------------------------------------


def found_listing(proposal: Proposal) -> str:
    """Sheets, headings, components, parts, words and sentences of a ``proposal``, as text for a terminal."""
    lines = [f"Looked through {proposal.folder}. Nothing in your files was changed."]
    lines += [f"  {file} could not be read: {why}" for file, why in proposal.looked.unread]
    shown = {column.heading for column in proposal.components.values()}
    for sheet, own in proposal.matches.items():
        lines += _sheet(sheet, own, shown)
    lines += [
        f"  {page.name} ({plural(page.rows, 'row')}) is like no sheet{_missed(*near)}; headings: {listed([c.heading for c in page.columns], 12)}"
        for page, near in proposal.others
    ]
    lines += _components(proposal)
    lines += [f"  {_group(*told)}" for told in proposal.groups]
    return "\n".join([*lines, *_words(proposal), *_settled(proposal), *_sentences(proposal.sentences)])


_COLUMN_OF = {
    "serial": "the number each unit goes by (write Serial over it; where units have none, add such a column and number them 1, 2, 3, in the comebacks too)",
    "in_service_on": "the day it went out (write Date out over it)",
    "returned_on": "the day it came back (write Came back over it)",
    "component": "what broke (write Component over it)",
}


#: of a page with several rows a unit
_LINES_OF_PARTS = (
    ": it has several rows a unit, as invoices have, and is not read. If it names parts that your builds do not, give the builds a column for each "
    'component with the part of each unit, and shop.toml a line for it under [components], such as "clutch pack" = "Clutch pack"'
)


def _missed(sheet: str, lacking: Sequence[str]) -> str:
    """What a page lacks to be the sheet it is nearly."""
    if sheet == "fitted":
        return _LINES_OF_PARTS
    return f": of {sheet} it lacks the column with {listed([_COLUMN_OF[h] for h in lacking])}" if sheet else ""


def _sheet(sheet: str, own: Sequence[Match], shown: Collection[str]) -> list[str]:
    """A sheet with its pages and headings. shown: headings told elsewhere."""
    first = own[0]
    pages = listed([m.page.name for m in own], 8)
    told = f", rows with {listed(first.rows[1])} under {first.rows[0]!r}" if first.rows else ""
    text = first.text.heading if first.text else ""
    spare = [c.heading for c in first.spare() if c.heading not in {text, *shown}]
    return [
        "",
        f"{sheet}: {pages} ({plural(sum(m.page.rows for m in own), 'row')}{told})",
        "  headings: " + ", ".join(f"{c.heading} = {h}" for h, c in first.columns.items()),
        *([f"  not used: {', '.join(spare)}"] if spare else []),
    ]


def _components(proposal: Proposal) -> list[str]:
    head = ["", "components and their parts, with how often each name was met:"]
    rows = [
        f"  {name} (column {column.heading}): {_met(proposal.parts[name].most_common(12))}"
        for name, column in proposal.components.items()
    ]
    return head + rows if rows else []


def _group(component: str, group: Alike, same: bool) -> str:
    met = tuple(zip((group.name, *group.others), group.counts, strict=True))
    return f"{component}: {_met(met)}: {'taken as one part' if same else 'kept apart'}"


def _words(proposal: Proposal) -> list[str]:
    shown = [(h, proposal.words[h]) for h in ("use", "cause", "finding") if proposal.words.get(h)]
    lines = [f"{heading}: {_met(counts.most_common(12))}" for heading, counts in shown]
    if proposal.unknown:
        counts = Counter(proposal.unknown).most_common(12)
        open_ = any(s.section == "words.component" and s.remark for s in proposal.settings)
        which = "which part stands for which is not known yet: say so under [words.component]"
        why = which if open_ else "builds have no column for them, and they cannot be followed"
        lines.append(f"components that returns name: {_met(counts)}: {why}")
    return ["", *lines] if lines else []


def _settled(proposal: Proposal) -> list[str]:
    """Units and the order of dates, with why."""
    told = [s for s in proposal.settings if s.section in ("units", "dates", "power") and s.why is not None]
    return [
        f"{s.section} {s.key}: {s.value} ({'' if s.sure else 'GUESS: '}{say(s.why)})" for s in told if s.why is not None
    ]


def _sentences(told: Sequence[Sentence]) -> list[str]:
    if not told:
        return []
    known = [s for s in told if s.said]
    lines = ["", f"{plural(len(told), 'return')} told in sentences; a component was recognised in {len(known)}:"]
    lines += [f"  {s.where}, row {s.row}: “{_short(s.text)}” -> {_said(s)}" for s in told[:12]]
    lines += [f"  … and {len(told) - 12} more"] if len(told) > 12 else []
    lines += _of_no_column(told)
    lines.append(
        f"They stand row by row in {TEXT_FILE}. Correct component, part, finding and miles there, and write yes under confirmed: "
        "a row counts from then on. Write no where nothing was damaged. Run start again when new ones were written: before that they do not count."
    )
    return lines


def _of_no_column(told: Sequence[Sentence]) -> list[str]:
    """Components that sentences speak of, and that no column of the builds is of."""
    counts = Counter(chain.from_iterable(s.others for s in told)).most_common()
    return [
        f"{plural(n, 'return')} may speak of the {name}, for which your builds have no column: without one they cannot be counted. Give the builds a column "
        f'{name.capitalize()} with the part fitted, write "{name}" = "{name.capitalize()}" under [components] in shop.toml, save both, and type start again.'
        for name, n in counts
    ]


def _said(one: Sentence) -> str:
    said = [", ".join(filter(None, (s.component, s.part, s.finding))) for s in one.said]
    return ", ".join(["; ".join(said) or "nothing recognised", *filter(None, [one.distance])])


def asks_same(component: str, group: Alike) -> str:
    """The question whether the names of a ``group`` are one part of a ``component``."""
    return f"{component}: are {_met(tuple(zip((group.name, *group.others), group.counts, strict=True)))} the same part?"


def asks_sentence(one: Sentence) -> str:
    """The question whether ``one`` sentence was understood."""
    return f"{one.where}, row {one.row}: “{one.text}” -> {_said(one)}. Is that right? (no: it waits in {TEXT_FILE} to be corrected)"


#: what to do with a page of the builds that has a row for each part
_TURN = "If yours has a row for each part, head the column that names the component Component and that of the part Part: its rows are read together, a unit each."
_NO_BUILDS = (
    "no page is taken for the builds. Such a page has one row a unit, a column for the number each unit goes by (Job No, Serial, Order No), one "
    "for the day it went out (Date out, Shipped), and one for each component (Converter, Input shaft). If one of yours is it, write such "
    f"headings over these columns in your sheet, and save. {_TURN}"
)

_NO_RETURNS = (
    "no page is taken for the comebacks. Such a page has one row for each part that broke: a column for the number of the unit (Serial), one for the "
    "day it came back (Came back), and one for what broke (Component). If one of yours is it, write such headings over these columns in your "
    "sheet, and save. If nothing has come back yet, save a sheet of three headings alone, serial, returned_on and component, as returns.csv."
)
_NO_COMPONENTS = (
    "no column of the builds is taken for a component. Such a page has one row a unit, and for each component a column of its own (Converter, Input shaft) that "
    f"names the part fitted. {_TURN} If its headings are other words, say in shop.toml which they are, for example:\n"
    '[components]\n"input shaft" = "your heading"'
)
_NO_PAGE = {"builds": _NO_BUILDS, "returns": _NO_RETURNS}


def next_step(proposal: Proposal, records: Records | None, trouble: AnalyticsError | None, command: str) -> str:
    """What to do next: the command to type, or what stands in its way. proposal: what was written; records: as read with the settings, None where they cannot be
    (``trouble``)."""
    folder = argument_text(str(proposal.folder))
    if records is None:
        missing = (
            "builds" if "builds" not in proposal.matches else trouble.sheet if isinstance(trouble, SheetMissing) else ""
        )
        stop = _NO_PAGE.get(missing, str(trouble) if missing or proposal.components else _NO_COMPONENTS)
        return f"Not ready: {stop}\nMend that, then type:\n  {command} start {folder}"
    counts = records.books.counts
    lines = [
        f"  {r.sheet}: {r.read:,} rows read, {r.used:,} used, {r.set_aside:,} set aside" for r in counts.itertuples()
    ]
    lines = [
        "Read with these settings:",
        *lines,
        *(f"  {line}" for line in records.books.files_passed_over({s.where for s in proposal.sentences})),
    ]
    waiting = int(records.books.set_aside["reason"].eq("recognised in a sentence, not confirmed").sum())
    if len(records.books.set_aside) > waiting or len(records.books.to_check):
        lines.append(f"What is set aside or doubtful, and why: {command} check {folder}")
    if waiting:
        lines.append(
            f"{plural(waiting, 'row')} of {TEXT_FILE} wait for your yes or no: until then the parts they speak of are followed up to "
            "that day only, and no failure is counted. Write it there, and save."
        )
    if too_much_lost(records) and not waiting:
        return "\n".join([*lines, *verdict(records), "Mend that, then type:", f"  {command} start {folder}"])
    return "\n".join([*lines, *never_told(records), "Next, type:", f"  {command} review {folder}"])


def argument_text(folder: str) -> str:
    """A ``folder`` as it is typed on a command line."""
    return f'"{folder}"' if re.search(r"\s", folder) else folder
