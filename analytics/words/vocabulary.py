"""All modules that put codes in words; importing this names every text."""

import analytics.words.cutoffs
import analytics.words.lifetimes
import analytics.words.load
import analytics.words.models
import analytics.words.ratings
import analytics.words.review
import analytics.words.start  # noqa: F401
