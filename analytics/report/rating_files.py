"""Files that a rating leaves: ratings.csv, the workbook, and the customers' sheet."""

from __future__ import annotations

import html
import math
from importlib.resources import files
from pathlib import Path

import pandas as pd

from analytics.ratings.sheet import Ratings
from analytics.records.cover import over, same_edge
from analytics.records.limits import limit_for
from analytics.report.files import write_book, write_csv
from analytics.whole import whole_file
from analytics.words.cautions import CAUTIONS
from analytics.words.ratings.basis import basis, details
from analytics.words.ratings.sheet import sheet_table


def write_rating_files(ratings: Ratings, out: str | Path) -> list[Path]:
    """ratings.csv, ratings.xlsx and customer_sheet.html. Returns their paths."""
    out = Path(out)
    table = sheet_table(ratings)
    write_csv(table, out / "ratings.csv")
    write_book(
        out / "ratings.xlsx",
        f"{ratings.records.shop.name}: power ratings",
        {
            "Ratings": table,
            "What each rests on": details(ratings),
            "Published": ratings.records.limits.drop(columns="row"),
            "Settings": basis(ratings),
            "Cautions": pd.DataFrame({"caution": CAUTIONS}),
        },
    )
    with whole_file(out / "customer_sheet.html") as part:
        part.write_text(customer_sheet(ratings), encoding="utf-8")
    return [out / "ratings.csv", out / "ratings.xlsx", out / "customer_sheet.html"]


def _publishable(row: pd.DataFrame, published: float | None = None) -> str:
    """What customers may be told: the published limit, or what is proven if that is lower; starred, with what is proven
    beside it, where set by judgement. published: the limit of a use whose rating is this row."""
    if row.empty:
        return "ask us"
    verdict, proven = row["verdict"].iat[0], row["proposed_hp"].iat[0]
    published = row["published_hp"].iat[0] if published is None else min(published, row["published_hp"].iat[0])
    if not math.isfinite(published) or (verdict == "lower" and not math.isfinite(proven)):
        return "ask us"
    if verdict == "not proven":
        shown = f", {proven:,.0f} proven" if math.isfinite(proven) and proven < published else ""
        return f"{published:,.0f} hp*{shown}"
    return f"{min(published, proven):,.0f} hp"


def _lowers(table: pd.DataFrame) -> bool:
    """Whether the sheet shows, or holds back, anything that is published higher."""
    told = table[table["published_hp"].notna() & (table["verdict"] != "not proven")]
    return bool((~(told["proposed_hp"] >= told["published_hp"])).any())


def _limits(ratings: Ratings, own: pd.DataFrame, use: str) -> list[str]:
    """What may be told of one part per weight class; for a use, its own published limits count where they are lower."""
    records = ratings.records
    edges = records.shop.weight.classes
    if not own["weight_up_to"].map(math.isfinite).all():
        edges = ()
    cells = []
    for edge in (*edges, None):
        opened = over(own["weight_up_to"], max(edges, default=0.0))
        row = own[same_edge(own["weight_up_to"], edge)] if edge else own[opened]
        published = _published(ratings, row, use) if use and len(row) else None
        told = _publishable(row, published)
        if edge is None and len(row) and told != "ask us" and edges:
            told += f" (to {row['weight_up_to'].iat[0]:,.0f} lb)"
        cells.append(told)
    return cells


def _published(ratings: Ratings, row: pd.DataFrame, use: str) -> float:
    limits = ratings.records.limits
    truck = pd.DataFrame(
        {
            "component": row["component"].to_numpy(),
            "part": row["part"].to_numpy(),
            "use": use,
            "weight_lb": row["weight_up_to"].to_numpy(),
            "day": ratings.records.as_of,
        }
    )
    at = limit_for(limits, truck)[0]
    return float(limits["power_limit_hp"].iat[at]) if at >= 0 else math.nan


def _named_uses(ratings: Ratings, component: str, part: str) -> list[str]:
    """Uses for which a limit of their own is on file."""
    limits = ratings.records.limits
    own = limits[(limits["component"] == component) & (limits["part"] == part)]
    return sorted(u for u in own["use"].fillna("").astype(str).unique() if u)


def customer_sheet(ratings: Ratings) -> str:
    """One printable page for customers: limits, basis, conditions, cautions. No limit above what is published or proven."""
    table = ratings.table[ratings.table["use"] == ""]
    edges = ratings.records.shop.weight.classes
    body, starred = "", False
    for (component, part), own in table.groupby(["component", "part"], sort=False):
        failures, units = own["failures"].iat[0], own["units"].iat[0]
        seen = f"{failures:,.0f} of {units:,.0f} came back" if failures else f"none of {units:,.0f} came back"
        general = _limits(ratings, own, "")
        lines = [(part, general, seen)]
        for use in _named_uses(ratings, component, part):
            alone = _limits(ratings, own, use)
            if alone != general:
                lines.append((f"{part}, {use} only", alone, ""))
        for name, limits, told in lines:
            starred |= any("*" in c for c in limits)
            cells = [component, name, *limits, told]
            body += "<tr>" + "".join(f"<td>{html.escape(c)}</td>" for c in cells) + "</tr>"
    weighed = bool(table["weight_up_to"].map(math.isfinite).any())
    head = (
        "".join(f"<th>truck up to {edge:,.0f} lb</th>" for edge in edges) + "<th>heavier</th>"
        if weighed
        else "<th>any weight</th>"
    )
    options, records = ratings.options, ratings.records
    blocks = {
        "title": html.escape(f"{records.shop.name}: power limits"),
        "as_of": f"{records.as_of.day} {records.as_of:%B %Y}",
        "rows": body,
        "head": head,
        "draft": (
            "Draft, not to be handed out: some figures are lower than what is published and not yet accepted by the owner."
            if _lowers(table)
            else ""
        ),
        "star": "* Set by judgement: our records neither prove nor contradict it yet." if starred else "",
        "basis": html.escape(
            f"Unless starred, each figure is the highest power at which, on our records up to that day, we are {options.promise.confidence:.0%} sure that {options.promise.reliability:.0%} last {options.promise.life_miles:,.0f} miles "
            "in the harshest use we have enough of on record, or the limit published if that is lower. It assumes powers as recorded at the build, at the crank, and allows for failures that nobody reported."
        ),
        "conditions": html.escape(
            "Holds for the part revision named, the weights shown (truck as driven, without trailer), stock rpm limits and the fluid and tune the unit was built for. More power, more weight, another use or a retune: ask again."
        ),
        "cautions": "".join(f"<li>{html.escape(c)}</li>" for c in CAUTIONS[:6]),
    }
    from jinja2 import Environment

    template = files("analytics.report").joinpath("template/customer.html.j2").read_text(encoding="utf-8")
    return Environment(autoescape=False, keep_trailing_newline=True).from_string(template).render(**blocks)
