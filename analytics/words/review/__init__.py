"""The quarter in sentences."""

from analytics.words.review import (  # noqa: F401
    advised,
    alarms,
    calls,
    expected,
    fleet,
    forecast,
    guarantee,
    how_sure,
    months_in_service,
    one_sheet,
    renew,
    repeats,
    teardown,
    this_quarter,
)
