"""Target tables: what people's programs write, and what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from earwitness.errors import FormatError
from earwitness.formats.goal_table import read_goal_table


@pytest.mark.parametrize(
    "text",
    [
        "20 0\n1000 -1.5\n",
        "20,0\n1000,-1.5\n",
        "# mine\nHz\tdB\n20\t0\n\n1000\t-1.5",
        "\ufeff20; 0\r\n1e3; -1.5\r\n",
        "20,0\t0,0\n1000,0\t-1,5\n",
        "20;0\n1000;-1,5 # mine\nend of table\n",
    ],
)
def test_common_layouts_are_read(tmp_path: Path, text: str) -> None:
    path = tmp_path / "goal.txt"
    path.write_text(text, encoding="utf-8", newline="")
    assert read_goal_table(path) == ((20.0, 0.0), (1000.0, -1.5))


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"20 0\n",
        b"20 0\n20 1\n",
        b"20 0\n10 1\n",
        b"0 0\n20 1\n",
        b"20 nan\n30 1\n",
        b"20 0 1\n30 0 1\n",
        b"\xff\xfe\x00",
        b"20 0\n1e9 0\n",
        b"20 0\n30 500\n",
        b"20 0\nabc def\n",
    ],
)
def test_what_is_no_table_is_refused_in_words(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "goal.txt"
    path.write_bytes(data)
    with pytest.raises(FormatError) as refused:
        read_goal_table(path)
    assert "goal.txt" in str(refused.value)


def test_a_missing_or_huge_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match="cannot be opened"):
        read_goal_table(tmp_path / "none.txt")
    (tmp_path / "huge.txt").write_bytes(b"# " + b"x" * 2**20)
    with pytest.raises(FormatError, match="1 MiB"):
        read_goal_table(tmp_path / "huge.txt")
