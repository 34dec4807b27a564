"""Open formats other than DBC give the same model, as far as they hold it."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING

import pytest
from cantools.database import load_file

from canmap.mapping.description.description import DescribedMessage, DescribedSignal
from canmap.mapping.description.load import load_description
from tests.kits import row, spec_of
from tests.streams import ROOT, frames, inspected

if TYPE_CHECKING:
    from pathlib import Path

KITS = [
    ROOT / "specs" / "orchard_cart" / "kit.dbc",
    ROOT / "tests" / "data" / "utility_vehicle" / "kit.dbc",
    ROOT / "tests" / "data" / "utility_vehicle" / "chassis.dbc",
]
# What a format has no place for.
LACKS = {".kcd": (), ".sym": ("sender",)}

ARXML = """\
<?xml version="1.0" encoding="UTF-8"?>
<AUTOSAR xmlns="http://autosar.org/schema/r4.0"><AR-PACKAGES><AR-PACKAGE><SHORT-NAME>P</SHORT-NAME><ELEMENTS>
<CAN-CLUSTER><SHORT-NAME>Drive</SHORT-NAME><CAN-CLUSTER-VARIANTS><CAN-CLUSTER-CONDITIONAL>
  <BAUDRATE>500000</BAUDRATE><PHYSICAL-CHANNELS><CAN-PHYSICAL-CHANNEL><SHORT-NAME>C</SHORT-NAME>
  <FRAME-TRIGGERINGS><CAN-FRAME-TRIGGERING><SHORT-NAME>T</SHORT-NAME>
    <FRAME-REF DEST="CAN-FRAME">/P/SteerFeedback</FRAME-REF>
    <CAN-ADDRESSING-MODE>{mode}</CAN-ADDRESSING-MODE><IDENTIFIER>{identifier}</IDENTIFIER>
  </CAN-FRAME-TRIGGERING></FRAME-TRIGGERINGS></CAN-PHYSICAL-CHANNEL></PHYSICAL-CHANNELS>
</CAN-CLUSTER-CONDITIONAL></CAN-CLUSTER-VARIANTS></CAN-CLUSTER>
<CAN-FRAME><SHORT-NAME>SteerFeedback</SHORT-NAME><FRAME-LENGTH>8</FRAME-LENGTH>
  <PDU-TO-FRAME-MAPPINGS><PDU-TO-FRAME-MAPPING><SHORT-NAME>M</SHORT-NAME>
    <PACKING-BYTE-ORDER>MOST-SIGNIFICANT-BYTE-LAST</PACKING-BYTE-ORDER>
    <PDU-REF DEST="I-SIGNAL-I-PDU">/P/Pdu</PDU-REF><START-POSITION>0</START-POSITION>
  </PDU-TO-FRAME-MAPPING></PDU-TO-FRAME-MAPPINGS></CAN-FRAME>
<I-SIGNAL-I-PDU><SHORT-NAME>Pdu</SHORT-NAME><LENGTH>8</LENGTH>
  <I-PDU-TIMING-SPECIFICATIONS><I-PDU-TIMING><TRANSMISSION-MODE-DECLARATION><TRANSMISSION-MODE-TRUE-TIMING>
    <CYCLIC-TIMING><TIME-PERIOD><VALUE>0.02</VALUE></TIME-PERIOD></CYCLIC-TIMING>
  </TRANSMISSION-MODE-TRUE-TIMING></TRANSMISSION-MODE-DECLARATION></I-PDU-TIMING></I-PDU-TIMING-SPECIFICATIONS>
  <I-SIGNAL-TO-PDU-MAPPINGS><I-SIGNAL-TO-I-PDU-MAPPING><SHORT-NAME>A</SHORT-NAME>
    <I-SIGNAL-REF DEST="I-SIGNAL">/P/Angle</I-SIGNAL-REF>
    <PACKING-BYTE-ORDER>MOST-SIGNIFICANT-BYTE-LAST</PACKING-BYTE-ORDER><START-POSITION>8</START-POSITION>
  </I-SIGNAL-TO-I-PDU-MAPPING></I-SIGNAL-TO-PDU-MAPPINGS></I-SIGNAL-I-PDU>
<I-SIGNAL><SHORT-NAME>Angle</SHORT-NAME><LENGTH>16</LENGTH>
  <NETWORK-REPRESENTATION-PROPS><SW-DATA-DEF-PROPS-VARIANTS><SW-DATA-DEF-PROPS-CONDITIONAL>
    <BASE-TYPE-REF DEST="SW-BASE-TYPE">/P/S16</BASE-TYPE-REF>
    <COMPU-METHOD-REF DEST="COMPU-METHOD">/P/Scale</COMPU-METHOD-REF>
  </SW-DATA-DEF-PROPS-CONDITIONAL></SW-DATA-DEF-PROPS-VARIANTS></NETWORK-REPRESENTATION-PROPS>
  <SYSTEM-SIGNAL-REF DEST="SYSTEM-SIGNAL">/P/AngleS</SYSTEM-SIGNAL-REF></I-SIGNAL>
<SYSTEM-SIGNAL><SHORT-NAME>AngleS</SHORT-NAME><PHYSICAL-PROPS><SW-DATA-DEF-PROPS-VARIANTS>
  <SW-DATA-DEF-PROPS-CONDITIONAL><COMPU-METHOD-REF DEST="COMPU-METHOD">/P/Scale</COMPU-METHOD-REF>
  <UNIT-REF DEST="UNIT">/P/Deg</UNIT-REF></SW-DATA-DEF-PROPS-CONDITIONAL>
  </SW-DATA-DEF-PROPS-VARIANTS></PHYSICAL-PROPS></SYSTEM-SIGNAL>
<UNIT><SHORT-NAME>Deg</SHORT-NAME><DISPLAY-NAME>deg</DISPLAY-NAME></UNIT>
<SW-BASE-TYPE><SHORT-NAME>S16</SHORT-NAME><BASE-TYPE-ENCODING>2C</BASE-TYPE-ENCODING></SW-BASE-TYPE>
<COMPU-METHOD><SHORT-NAME>Scale</SHORT-NAME><CATEGORY>LINEAR</CATEGORY>
  <COMPU-INTERNAL-TO-PHYS><COMPU-SCALES><COMPU-SCALE>
    <LOWER-LIMIT INTERVAL-TYPE="CLOSED">-5400</LOWER-LIMIT>
    <UPPER-LIMIT INTERVAL-TYPE="CLOSED">5400</UPPER-LIMIT>
    <COMPU-RATIONAL-COEFFS><COMPU-NUMERATOR><V>0</V><V>0.1</V></COMPU-NUMERATOR>
    <COMPU-DENOMINATOR><V>1</V></COMPU-DENOMINATOR></COMPU-RATIONAL-COEFFS>
  </COMPU-SCALE></COMPU-SCALES></COMPU-INTERNAL-TO-PHYS></COMPU-METHOD>
</ELEMENTS></AR-PACKAGE></AR-PACKAGES></AUTOSAR>
"""


@pytest.mark.parametrize("ending", LACKS)
@pytest.mark.parametrize("kit", KITS, ids=lambda path: f"{path.parent.name}_{path.stem}")
def test_the_same_model_as_from_a_dbc(tmp_path: Path, kit: Path, ending: str) -> None:
    if ending == ".sym" and kit == KITS[0]:
        pytest.skip(
            "the format holds one layout for all signals of a name; the cart has Gear and Reason in two"
        )
    database = load_file(kit, encoding="utf-8")
    path = tmp_path / f"kit{ending}"
    path.write_text(getattr(database, f"as_{ending[1:]}_string")(), encoding="utf-8")
    lacking = dict.fromkeys(LACKS[ending])
    wanted = {message.name: replace(message, **lacking) for message in load_description(str(kit)).messages}
    assert {message.name: message for message in load_description(str(path)).messages} == wanted


@pytest.mark.parametrize(
    ("mode", "can_id", "extended"), [("STANDARD", 0x101, False), ("EXTENDED", 0x18FF0101, True)]
)
def test_an_arxml_file_of_our_own(tmp_path: Path, mode: str, can_id: int, extended: bool) -> None:
    path = tmp_path / "kit.arxml"
    path.write_text(ARXML.format(mode=mode, identifier=can_id), encoding="utf-8")
    (message,) = load_description(str(path)).messages
    assert message == DescribedMessage(
        name="SteerFeedback",
        can_id=can_id,
        extended=extended,
        length=8,
        sender=None,
        period_ns=20_000_000,
        signals=(
            DescribedSignal(
                name="Angle",
                start_bit=8,
                bits=16,
                big_endian=False,
                signed=True,
                is_float=False,
                factor=Fraction(1, 10),
                offset=Fraction(0),
                minimum=Fraction(-540),
                maximum=Fraction(540),
                unit="deg",
                labels={},
            ),
        ),
    )


def test_an_arxml_file_goes_through_the_engine(tmp_path: Path) -> None:
    (tmp_path / "kit.arxml").write_text(ARXML.format(mode="STANDARD", identifier=0x101), encoding="utf-8")
    head = "vehicle: Test cart\nbuses:\n  drive: {description: kit.arxml, channel: can0}\n"
    text = "records:\n  steering: {type: Steering, stamp: SteerFeedback, wheel_angle: SteerFeedback.Angle}\n"
    spec = spec_of(tmp_path, "", text, head=head)
    data = b"\0" + (-900).to_bytes(2, "little", signed=True) + bytes(5)
    result, _ = inspected([frames([row(0, 0x101, data)])], spec, ["steering"])
    assert result.records["steering"].columns["wheel_angle"].values[0] == pytest.approx(-1.5707963267948966)


def test_of_one_identifier_twice_neither_is_read_in_other_formats_too(tmp_path: Path) -> None:
    path = tmp_path / "kit.kcd"
    message = '<Message id="0x105" length="8" name="{}"><Signal name="S" offset="8" length="16"/></Message>'
    path.write_text(
        '<NetworkDefinition xmlns="http://kayak.2codeornot2code.org/1.0"><Document/><Bus name="drive">'
        f"{message.format('One')}{message.format('Two')}</Bus></NetworkDefinition>"
    )
    description = load_description(str(path))
    assert description.messages == ()
    (one, two) = description.repairs
    assert one.text.startswith("message One (identifier 0x105) has the identifier of message Two;")
    assert two.text.startswith("message Two (identifier 0x105) has the identifier of message One;")
    assert one.at("kit.kcd").startswith("kit.kcd: message One")
