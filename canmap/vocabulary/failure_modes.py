"""Failure mode identifiers (FMI) of SAE J1939-73, appendix A, in our own words; all of it from memory."""

from __future__ import annotations

FAILURE_MODES = {
    0: "above its normal range, most severe",
    1: "below its normal range, most severe",
    2: "erratic, intermittent or incorrect",
    3: "voltage above normal, or shorted to the high side",
    4: "voltage below normal, or shorted to the low side",
    5: "current below normal, or open circuit",
    6: "current above normal, or grounded circuit",
    7: "mechanical system does not respond, or is out of adjustment",
    8: "abnormal frequency, pulse width or period",
    9: "abnormal update rate",
    10: "abnormal rate of change",
    11: "root cause not known",
    12: "bad intelligent device or component",
    13: "out of calibration",
    14: "special instructions",
    15: "above its normal range, least severe",
    16: "above its normal range, moderately severe",
    17: "below its normal range, least severe",
    18: "below its normal range, moderately severe",
    19: "received network data in error",
    20: "drifted high",
    21: "drifted low",
    31: "condition exists",
}
