"""The quarter in sentences."""

from analytics.words.review import (  # noqa: F401
    again,
    alarms,
    by_cell,
    calls,
    came_back,
    change,
    drags,
    expected,
    findings,
    fleet,
    forecast,
    guarantee,
    how_sure,
    kept_word,
    limits,
    months_in_service,
    renew,
    repeats,
    to_fix,
)
