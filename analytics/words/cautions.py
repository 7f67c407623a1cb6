"""What every output says about its own limits."""

CAUTIONS = (
    "A statistical summary of what this shop has on record: no safety certificate, no guarantee, no promise for any one truck.",
    "The part maker's limits, a qualified engineer's review, inspection, local codes, road law, sanctioning-body rules and the ratings of vehicle and trailer come first.",
    "A driveline part can burst at speed: use guards, shields and scatter protection, and keep people out of the line of the rotating parts.",
    "Hot fluid under pressure, charged accumulators and compressed springs injure: let pressure off, support the load, protect eyes and hands before opening anything.",
    "Drive, or the hold of park, can be lost in traffic, on a grade or under tow. More power may be more than brakes, tyres, axle and cooling can bear.",
    "The figures hold for the part revisions, fluids, tunes, weights, uses and dates on record, and go stale with the next revision.",
    "Failures never reported, and particulars nobody wrote down, make the true rates higher. “None came back” does not mean “cannot fail”.",
    "No limit is ever raised by itself: a person decides.",
    "Customers' data stay in the shop: publish sums, never single trucks.",
)
