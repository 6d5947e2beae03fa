"""Run rules: patterns of points that chance seldom makes.

Small named values, made by one function for each kind of rule; then the RULES table and the named
sets. `spc/patterns.py` holds what they look for, `spc/signals.py` applies them to charts.

One definition of "beyond" for all of them: strictly farther from the centre than the distance
times the standard error of the point. A point on a border is not beyond it, and a point on the
centre line is on neither side; what lies there on paper does so here, whatever the last binary
digits say (`spc/borders.py`). Points that come as z are taken as they are. Missing points (nan)
are in no zone, neither rise nor fall, and keep their place.
"""

from functools import lru_cache, partial

from spc.errors import ArgumentError
from spc.intake import as_count, as_number
from spc.patterns import LONGEST_WINDOW, Region, Rule, ZonePattern, alternating, steady

_HANDBOOK = "Statistical Quality Control Handbook, 1956, section I part B, tests for zones"
_EIGHT = "L. S. Nelson, Journal of Quality Technology 16 (1984) 237"
_OWN = "a pattern chosen by the user"
_CROSSING = (
    "The pattern does not reach back across a change of limits: what came before was judged by "
    "another centre line."
)


def _sigma(distance: float) -> str:
    return f"{distance:.10g} sigma"


# Kept, so that a rule asked for twice is equal to itself: bound functions compare by what they
# are bound to.
_pattern = lru_cache(maxsize=None)(ZonePattern)
_bound = lru_cache(maxsize=None)(partial)


def _zone_rule(
    key: str, phrase: str, definition: str, source: str, count: int, window: int,
    distance: float, region: Region = "one side",
) -> Rule:  # fmt: skip
    pattern = _pattern(count, window, float(distance), region)
    return Rule(key, phrase, definition, source, pattern.flags, pattern)


def some_beyond(count: int, window: int, distance: float, source: str = _OWN) -> Rule:
    """Return the rule "`count` of `window` beyond `distance` sigma", on one side.

    Args:
        count: points that must lie there, 1 or more; with 1 the window must be 1 too.
        window: among how many points, at most 100.
        distance: in standard deviations of the point, above 0.
        source: printed with the rule.

    Raises:
        ArgumentError: a number outside its rule.

    Example:
        >>> some_beyond(3, 4, 1.5).phrase
        '3 of 4 beyond 1.5 sigma'
    """
    away = _sigma(as_number(distance, name="distance", above=0))
    number = f"{float(distance):.10g}"
    as_count(count, name="count", at_least=1)
    as_count(window, name="window", at_least=count)
    if count == 1:
        if window != 1:
            raise ArgumentError(
                f"window must be 1 where count is 1, got {window}: one point beyond signals alone"
            )
        return _zone_rule(
            f"beyond_{number}_sigma",
            f"beyond {away}",
            f"A point signals when it lies more than {away} from the centre line. A point exactly "
            "on the limit does not signal, nor does a missing one.",
            source, 1, 1, distance,
        )  # fmt: skip
    many = f"{count} in a row" if count == window else f"{count} of {window}"
    return _zone_rule(
        f"{count}_of_{window}_beyond_{number}_sigma",
        f"{many} beyond {away}",
        f"{_beyond_together(count, window, away)} Exactly {away} does not count, and neither does "
        f"a missing point. The signal is at the completing point. {_CROSSING}",
        source, count, window, distance,
    )  # fmt: skip


def _beyond_together(count: int, window: int, away: str) -> str:
    """Say which points complete "count of window"; the words change where all must lie there."""
    if count == window:
        return (
            f"A point signals when {_together(count)} lie more than {away} from the centre line, "
            "on the same side."
        )
    others = count - 1
    every = "both" if count == 2 else f"all {_word(count)}"
    return (
        f"A point signals when it lies more than {away} from the centre line and at least "
        f"{_word(others)} of the {_word(window - 1)} points before it "
        f"{'does' if others == 1 else 'do'} so on the same side. The window need not be full: the "
        f"{_ordinal(count)} point signals if {every} lie beyond."
    )


def _together(n: int) -> str:
    """Say "it and the points before it all", for n points."""
    return f"it and the {_points_before(n - 1)} {'both' if n == 2 else 'all'}"


def run_on_one_side(n: int = 8, source: str = "") -> Rule:
    """Return the rule "`n` on one side"; sources take 7, 8 or 9.

    Args:
        n: points in a row, 2 to 100.
        source: printed with the rule; where it is left out, which sources take this n.

    Example:
        >>> run_on_one_side(9).phrase
        '9 on one side'
    """
    as_count(n, name="n", at_least=2)
    if not isinstance(source, str):
        raise ArgumentError(f"source must be text, got {source!r}")
    return _zone_rule(
        f"{n}_on_one_side",
        f"{n} on one side",
        f"A point signals when {_together(n)} lie on the same side "
        "of the centre line. A point exactly on the centre line breaks the run, and so does a "
        f"missing point. The signal is at the completing point, the {_ordinal(n)}, and at each "
        f"further one. {_CROSSING}",
        source or _RUN_SOURCES.get(n, _OWN), n, n, 0.0,
    )  # fmt: skip


def run_within(n: int = 15, distance: float = 1.0, source: str = _OWN) -> Rule:
    """Return the rule "`n` within `distance` sigma": less spread than the limits were made for.

    Args:
        n: points in a row, 2 to 100.
        distance: in standard deviations of the point, above 0.
        source: printed with the rule.
    """
    as_count(n, name="n", at_least=2)
    away = _sigma(as_number(distance, name="distance", above=0))
    return _zone_rule(
        f"{n}_within_{float(distance):.10g}_sigma",
        f"{n} within {away}",
        f"A point signals when {_together(n)} lie within {away} of the centre line, on "
        f"either side or on it. Exactly {away} counts as within. A missing point breaks the run. "
        f"The signal is at the completing point, the {_ordinal(n)}, and at each "
        f"further one. {_CROSSING}",
        source, n, n, distance, "within",
    )  # fmt: skip


def run_outside(n: int = 8, distance: float = 1.0, source: str = _OWN) -> Rule:
    """Return the rule "`n` beyond `distance` sigma on either side": two streams mixed up.

    Args:
        n: points in a row, 2 to 100.
        distance: in standard deviations of the point, above 0.
        source: printed with the rule.
    """
    as_count(n, name="n", at_least=2)
    away = _sigma(as_number(distance, name="distance", above=0))
    return _zone_rule(
        f"{n}_outside_{float(distance):.10g}_sigma",
        f"{n} outside {away}",
        f"A point signals when {_together(n)} lie more than {away} from the centre line, "
        f"each on whichever side. Exactly {away} does not count and breaks the run, and so does a "
        f"missing point. The signal is at the completing point, the "
        f"{_ordinal(n)}, and at each further one. {_CROSSING}",
        source, n, n, distance, "either side",
    )  # fmt: skip


def steady_trend(n: int = 6, source: str = _OWN) -> Rule:
    """Return the rule "`n` rising or falling"; many alarms, little power against a shift.

    Args:
        n: values in a row, 3 to 100, so n - 1 steps.
        source: printed with the rule.
    """
    _check_length(n)
    return Rule(
        key=f"{n}_rising_or_falling",
        phrase=f"{n} rising or falling",
        definition=(
            f"A point signals when it ends {_word(n)} values in a row of which each is higher than "
            f"the one before it, or each lower: {_word(n - 1)} steps. It looks at the values, not "
            "at zones: two equal values break the trend, and so does a missing point. The signal "
            f"is at the completing point, the {_ordinal(n)}, and at each further one. {_CROSSING}"
        ),
        source=source,
        flags=_bound(steady, n=n),
        window=n,
        on_values=True,
    )


def alternation(n: int = 14, source: str = _OWN) -> Rule:
    """Return the rule "`n` alternating": two streams, or over-adjustment.

    Args:
        n: values in a row, 3 to 100, so n - 1 steps that go up and down in turn.
        source: printed with the rule.
    """
    _check_length(n)
    return Rule(
        key=f"{n}_alternating",
        phrase=f"{n} alternating up and down",
        definition=(
            f"A point signals when it ends {_word(n)} values in a row that go up and down in turn: "
            f"{_word(n - 1)} steps, each against the one before. It looks at the values, not at "
            "zones: two equal values break the pattern, and so does a missing point. The signal "
            f"is at the completing point, the {_ordinal(n)}, and at each further one. {_CROSSING}"
        ),
        source=source,
        flags=_bound(alternating, n=n),
        window=n,
        on_values=True,
    )


def _check_length(n: int) -> None:
    if as_count(n, name="n", at_least=3) > LONGEST_WINDOW:
        raise ArgumentError(f"n must be at most {LONGEST_WINDOW}, got {n}")


_WORDS = (
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten",
    "eleven", "twelve", "thirteen", "fourteen", "fifteen",
)  # fmt: skip
_ORDINALS = {2: "second", 3: "third", 5: "fifth", 8: "eighth", 9: "ninth", 12: "twelfth"}


def _word(n: int) -> str:
    return _WORDS[n] if n < len(_WORDS) else str(n)


def _ordinal(n: int) -> str:
    if n >= len(_WORDS):
        return f"{n}{ {1: 'st', 2: 'nd', 3: 'rd'}.get(n % 10, 'th') }"
    return _ORDINALS.get(n, f"{_word(n)}th")


def _points_before(n: int) -> str:
    return "point before it" if n == 1 else f"{_word(n)} points before it"


_ISO_8258 = "ISO 8258:1991, figure 3"
_ISO_7870 = "ISO 7870-2:2013, from memory, not checked against the document"
_RUN_SOURCES = {
    7: f"{_ISO_7870} (other sources take 8 or 9)",
    8: f"{_HANDBOOK} (other sources take 7 or 9)",
    9: f"{_EIGHT}; {_ISO_8258} (other sources take 7 or 8)",
}
_ALSO = f"{_EIGHT}; {_ISO_8258}"

RULES: tuple[Rule, ...] = (
    some_beyond(1, 1, 3, f"{_HANDBOOK}; W. A. Shewhart, 1931"),
    some_beyond(2, 3, 2, _HANDBOOK),
    some_beyond(4, 5, 1, _HANDBOOK),
    run_on_one_side(8),
    run_on_one_side(7),
    run_on_one_side(9),
    steady_trend(6, _ALSO),
    steady_trend(7, _ISO_7870),
    alternation(14, _ALSO),
    run_within(15, 1, _ALSO),
    run_outside(8, 1, _ALSO),
)
"""Every rule with a source of its own; the first four are the zone rules of 1956."""

_BY_KEY = {rule.key: rule for rule in RULES}


def rules_of(*keys: str) -> tuple[Rule, ...]:
    """Return the rows of RULES with these keys, in the order asked for.

    Raises:
        ArgumentError: an unknown key; the message lists the choices.

    Example:
        >>> [rule.phrase for rule in rules_of("beyond_3_sigma", "7_on_one_side")]
        ['beyond 3 sigma', '7 on one side']
    """
    for key in keys:
        if not isinstance(key, str) or key not in _BY_KEY:
            raise ArgumentError(f"keys must be among {', '.join(_BY_KEY)}, got {key!r}")
    return tuple(_BY_KEY[key] for key in keys)


FOUR_ZONE_RULES: tuple[Rule, ...] = RULES[:4]
THREE_SIGMA_RULES: tuple[Rule, ...] = RULES[:1]
THREE_SIGMA: tuple[Rule, ...] = THREE_SIGMA_RULES
EIGHT_RULES: tuple[Rule, ...] = rules_of(
    "beyond_3_sigma", "9_on_one_side", "6_rising_or_falling", "14_alternating",
    "2_of_3_beyond_2_sigma", "4_of_5_beyond_1_sigma", "15_within_1_sigma", "8_outside_1_sigma",
)  # fmt: skip
"""The eight tests of 1984."""
ISO_7870_2_RULES: tuple[Rule, ...] = rules_of(
    "beyond_3_sigma", "7_on_one_side", "7_rising_or_falling"
)
"""The rules of ISO 7870-2:2013 that a computer can apply, from memory, not checked against the
document; its last one, an obviously non-random pattern, is left to a person."""
