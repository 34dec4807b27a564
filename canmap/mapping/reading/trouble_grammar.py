"""The grammar of trouble codes, of which a J1939 message carries the first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.mapping.fault_rules import TroubleCodeRule
from canmap.mapping.reading.sections import Key, Section
from canmap.mapping.reading.shapes import about_message, each, integer, text, word

if TYPE_CHECKING:
    from canmap.mapping.reading.marks import Node
    from canmap.mapping.reading.sections import Context

DM1_GROUP = 65226  # active trouble codes (SAE J1939-73, from memory)
GROUP_SHIFT, GROUP_MASK = 8, 0x3FFFF
_number = integer(0, 2**19 - 1)

PARAMETERS = Key("parameters", each("the list of parameters", _number, lambda _, node, of: text(node, of)))
SEVERITY = Key("severity", word("a severity", ("error", "warning", "note")))
PAGE = Key("page", text)
TROUBLE_CODES = Section("trouble codes", (PARAMETERS, SEVERITY, PAGE))


def _read(node: Node, context: Context) -> TroubleCodeRule | None:
    """Read what is known of the trouble codes of a message; None where it is none that carries them."""
    values, found = TROUBLE_CODES(node, context), context.message
    if values is None or found is None:
        return None
    described = found.message
    if not described.extended or described.can_id >> GROUP_SHIFT & GROUP_MASK != DM1_GROUP:
        context.faults.add(node.place, f"{described.name} is not of the parameter group {DM1_GROUP} (DM1).")
        return None
    return TroubleCodeRule(
        message=found.ref,
        names={entry.key: entry.value for entry in values.get(PARAMETERS) or ()},
        severity=values.get(SEVERITY) or "error",
        page=values.get(PAGE) or "",
    )


TROUBLE_CODES_OF = about_message(_read)
