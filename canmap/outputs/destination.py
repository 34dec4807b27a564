"""Where an export goes: to standard output, to a file, or to a folder with a file for each table."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.base.errors import OutputError, UsageError
from canmap.base.words import first_of, listed
from canmap.outputs.export_forms import FORMS
from canmap.outputs.files import STANDARD_OUTPUT, failures_named, is_direct
from canmap.outputs.tables.outcome_tables import OUTCOMES, require_free

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from canmap.outputs.export_forms import ExportForm

FOLDER_FORM, STANDARD_FORM = ".parquet", ".jsonl"
MOST_NAMED = 6


@dataclass(frozen=True, slots=True)
class Destination:
    """Where an export goes.

    Attributes:
        into: As the user named it.
        form: What is written.
        records: Names of the records to write.
        files: The files, by the name of the table that each holds; "" for all in one.
        folder: The folder of the files, "" where there is a file alone.
        namespace: What relative names of topics are put below in a bag.
    """

    into: str
    form: ExportForm
    records: Sequence[str]
    files: Mapping[str, str]
    folder: str = ""
    namespace: str = ""

    @property
    def is_bag(self) -> bool:
        """Whether messages of topics are written, and no records."""
        return self.form.is_bag


def destination(into: str, ending: str | None, records: Sequence[str]) -> Destination:
    """Return where an export goes.

    A name with an ending that is known is a file; one without an ending or with a / at its end is a folder,
    and so is what is one already.

    Args:
        into: The file or folder to write; "-" is standard output.
        ending: Of the form, with or without its dot, where `into` does not tell it; None for the usual one.
        records: Names of the records to write, each once.

    Raises:
        UsageError: The form does not go there, or cannot hold these records there.
        OutputError: The name has an ending that no form has.
    """
    named = None if ending is None else f".{ending.removeprefix('.').lower()}"
    if named is not None and named not in FORMS:
        raise UsageError(f"There is no form {ending}; it is one of {listed(_words())}.")
    if not into:
        raise OutputError("The name of the file to write is empty; name one.")
    told = Path(into).suffix.lower()
    with failures_named(into):
        is_folder = into.endswith(os.sep) or Path(into).is_dir()
        if into == STANDARD_OUTPUT or (not is_folder and is_direct(into)):
            return _file(into, _streamed(into, named or told), records)
    is_folder = is_folder or not told
    if not is_folder and told not in FORMS:
        raise OutputError(
            f"{into}: nothing is exported with this ending; name one of {', '.join(FORMS)}, or a folder with "
            f"{os.sep} at its end."
        )
    if told in FORMS and named not in (None, told):
        raise UsageError(f"{into} ends in {told}, but the form asked for is {ending}; give one of them.")
    form = FORMS[named or (told if told in FORMS else FOLDER_FORM)]
    return _folder(into, form, records) if is_folder else _file(into, form, records)


def _streamed(into: str, ending: str) -> ExportForm:
    """Return the form of what goes into standard output, a pipe or a device."""
    form = FORMS[ending or STANDARD_FORM] if ending in ("", *FORMS) else None
    if form is None or not form.streams:
        words = listed(_word(one) for one in FORMS.values() if one.streams)
        where = "Standard output" if into == STANDARD_OUTPUT else into
        raise OutputError(f"{where} is not an ordinary file; only {words} can be written there.")
    return form


def _file(into: str, form: ExportForm, records: Sequence[str]) -> Destination:
    if form.holds_all:
        return Destination(into, form, records, {"": into})
    if len(records) != 1:
        stem = "tables" if into == STANDARD_OUTPUT else Path(into).stem
        raise UsageError(
            f"One {form.ending} table holds one kind of record: choose it with --record "
            f"({first_of(records, MOST_NAMED)}), or write all into a folder: "
            f"--into {stem}{form.ending}{os.sep}."
        )
    (name,) = records
    return Destination(into, form, records, {name: into})


def _folder(into: str, form: ExportForm, records: Sequence[str]) -> Destination:
    if form.holds_all:
        raise UsageError(f"{into} is a folder, but one {form.ending} file holds all records; name a file.")
    require_free(records)
    files = {name: str(Path(into) / f"{name}{form.ending}") for name in (*records, *OUTCOMES)}
    return Destination(into, form, records, files, into)


def _word(form: ExportForm) -> str:
    return form.ending.removeprefix(".")


def _words() -> list[str]:
    return [_word(form) for form in FORMS.values()]
