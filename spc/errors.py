"""What goes wrong in the statistics, as sentences a person can act on.

Every message names the argument, the rule, what came and the way out. A subclass exists only
where a caller does something else with it.
"""


class SpcError(ValueError):
    """Any refusal of this package; the message is fit to be shown to a user."""


class ArgumentError(SpcError):
    """An argument breaks its rule (wrong shape, not finite, out of range)."""


class TooFewPointsError(SpcError):
    """The arguments are right, but there are not enough data yet."""


class NoSpreadError(SpcError):
    """The data do not vary at all, so the quantity asked for is a division by zero."""
