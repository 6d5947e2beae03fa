"""Where a series changed, by how much, in what, and whether process or measurement moved.

found = investigate(History(...))        # .verdict: what, since, size, cause_class, suspect …
change = change_point(batch_means)       # one step, stretch or ramp with its intervals
table = stratify(batch_means, factors)   # level by operator, lot, shift … with multiplicity
"""

from spc.drift.change_points import ChangePoint, change_point
from spc.drift.checks import CheckScan, Moment, Movement, scan_checks
from spc.drift.cycles import Cycle, find_cycles
from spc.drift.effect import Effect, effect
from spc.drift.findings import Finding
from spc.drift.history import CheckRuns, Factor, History, OtherProduct, SetAsideRow
from spc.drift.investigate import investigate
from spc.drift.lone import lone_values
from spc.drift.pairing import Moved, Pairing, pair
from spc.drift.spread import SpreadChange, spread_change, value_spread_change
from spc.drift.strata import Level, Strata, Stratum, stratify
from spc.drift.verdict import CAUSE_CLASSES, SUSPECTS, Investigation, Verdict

__all__ = [
    "CAUSE_CLASSES",
    "SUSPECTS",
    "ChangePoint",
    "CheckRuns",
    "CheckScan",
    "Cycle",
    "Effect",
    "Factor",
    "Finding",
    "History",
    "Investigation",
    "Level",
    "Moment",
    "Moved",
    "Movement",
    "OtherProduct",
    "Pairing",
    "SetAsideRow",
    "SpreadChange",
    "Strata",
    "Stratum",
    "Verdict",
    "change_point",
    "effect",
    "find_cycles",
    "investigate",
    "lone_values",
    "pair",
    "scan_checks",
    "spread_change",
    "stratify",
    "value_spread_change",
]
