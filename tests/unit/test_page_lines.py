"""Lines of a page are wrapped where a reader may pause."""

from __future__ import annotations

import pytest

from canmap.diagnosis.telling.page_lines import PageLine, wrapped


@pytest.mark.parametrize("width", range(30, 60))
def test_no_number_is_parted_from_its_unit(width: int) -> None:
    lines = wrapped(PageLine("The lever went past its threshold, by up to 39.6 % for 120 ms.", 4), width)
    assert all(len(line) <= width for line in lines)
    assert not any(line[-1].isdigit() for line in lines)
    assert " ".join(line.strip() for line in lines).endswith("by up to 39.6 % for 120 ms.")
