"""The unit that was probably meant by a word that is none: a word of a language, another case, a slip.

Only a unit that fits is named: `metres` is `m` and never `degrees`, however alike the letters are.
The words are those of English, German, French, Spanish, Italian and Dutch [common practice].
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.base.words import listed
from canmap.vocabulary.units import SI_UNITS, UNITS, find_unit, si_name

if TYPE_CHECKING:
    from canmap.mapping.reading.mistakes import Faults
    from canmap.vocabulary.units import Dimension

_MOST_LISTED = 6

# Singular and plain plurals; small letters, blanks and full stops do not count.
_WORDS: dict[str, str] = {
    word: unit
    for unit, words in {
        "m": "metre metres meter meters mètre mètres metro metros metri mtr mtrs",
        "mm": "millimetre millimetres millimeter millimeters millimètre millimètres milímetro milímetros",
        "cm": "centimetre centimetres centimeter centimeters zentimeter centimètre centimètres centímetro",
        "km": "kilometre kilometres kilometer kilometers kilomètre kilomètres "
        "kilómetro kilómetros chilometri",
        "in": "inches zoll pouce pouces pulgada pulgadas",
        "ft": "foot feet",
        "mile": "miles meile meilen",
        "s": "second seconds secs sekunde sekunden sek seconde secondes segundo segundos "
        "secondo secondi seconden",
        "ms": "millisecond milliseconds millisec msec msecs millis millisekunde millisekunden milliseconde "
        "millisecondes milisegundo milisegundos millisecondi",
        "us": "microsecond microseconds usec usecs mikrosekunde mikrosekunden microseconde microsecondes",
        "ns": "nanosecond nanoseconds nsec nanosekunde nanosekunden nanoseconde nanosecondes",
        "min": "minute minutes mins minuten minuto minutos minuti minuut",
        "h": "hour hours hr hrs stunde stunden std heure heures hora horas ora ore uur",
        "km/h": "kmph km/hr kmhr km/u km/t km/std stundenkilometer",
        "m/s": "m/sek ms^-1",
        "mph": "mi/h mi/hr miles/h",
        "rad": "radian radians radiant radianten radianes radianti",
        "deg": "grad degré degrés grado grados gradi graad graden",
        "rpm": "r/min upm u/m tr/min tours/min giri/min umdr/min 1/minute revs/min",
        "rev": "revs revolution revolutions umdrehung umdrehungen turns tour tours",
        "Hz": "hertz cps",
        "kg": "kilogram kilograms kilogramm kilogramme kilogrammes kilogramo kilogramos kgs",
        "t": "tonne tonnes tonnen tonelada toneladas",
        "lb": "lbs pound pounds",
        "N": "newton newtons",
        "Nm": "newtonmetre newtonmetres newtonmeter newtonmeters",
        "J": "joule joules",
        "Pa": "pascal pascals",
        "bar": "bars",
        "W": "watt watts",
        "V": "volt volts voltios volti",
        "A": "amp amps ampere amperes ampère ampères amperios",
        "Ah": "amphour amphours amperestunden",
        "Ohm": "ohms",
        "K": "kelvins",
        "°C": "c degreescelsius degreecelsius gradcelsius centigrade",
        "°F": "f fahrenheit degreesfahrenheit degreefahrenheit",
        "l": "litre litres liter liters litro litros litri",
        "%": "prozent percentage pourcent pour-cent porcentaje percento procent",
        "bit": "bits",
        "byte": "bytes",
        "bit/s": "bps baud bd bits/s",
        "kbit/s": "kbaud kbd kb/s kbits/s kilobit/s",
        "Mbit/s": "mbaud mb/s mbits/s megabit/s",
    }.items()
    for word in words.split()
}


def unit_ending(text: str, wanted: Dimension | None, faults: Faults) -> str:
    """Return the end of a sentence about a unit that is not known: the one that was meant, or those that fit.

    Args:
        text: What stands for the unit.
        wanted: What it has to convert to; None for anything.
        faults: Limits how many suggestions are worked out.
    """
    fitting = [name for name, unit in UNITS.items() if wanted in {None, unit.dimension}]
    near = _meant(text, fitting, faults)
    if near is not None:
        return faults.ending(near, fitting)
    if wanted is None:
        return "."
    name = si_name(wanted) if any(wanted) else "a share in %"
    shown = [one for one in fitting if one.isascii()][:_MOST_LISTED]
    return f"; it is one of {listed(shown)}." if wanted in SI_UNITS and shown else f"; write {name}."


def _meant(text: str, fitting: list[str], faults: Faults) -> str | None:
    plain = _plain(text)
    word = _WORDS.get(plain)
    if word is None and "/" in plain:  # metres/second
        word = "/".join(_WORDS.get(part, part) for part in plain.split("/"))
    if word is not None and (unit := find_unit(word)):
        known = UNITS.get(word)
        fits = known is not None and word in fitting
        alike = any(UNITS[name].dimension == unit.dimension for name in fitting)
        return word if fits or (known is None and alike) else None
    same = [name for name in fitting if _plain(name) == plain]
    if same:
        return same[0]
    near = faults.nearest(text, [name for name in fitting if len(name) > 1])
    return near if near and near[0].casefold() == text[:1].casefold() else None


def _plain(text: str) -> str:
    return "".join(text.casefold().replace(".", "").split())
