"""Our own TOML files as text and as a document with line numbers, each fault in words (faults.toml)."""

import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from earwitness.errors import Fault, InputError
from earwitness.files.data import table_of

# On which line of a TOML file a key stands.
#
# tomllib keeps no positions, and a fault without a line sends a tester searching. This scan walks over text that
# tomllib has already accepted and notes where tables and keys begin; it never decides what a value is.

Keys = tuple[str | int, ...]

_SPACE = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BLANK = re.compile(r"[ \t]*")
_BARE = re.compile(r"[^\s=\[\]{},#\"']+")
_PART = re.compile(r"[^\s=\[\]{},#\"'.]+")
_STRING = re.compile(r'"""(?:\\.|[^\\])*?"{3,5}' r"|'''.*?'{3,5}" r'|"(?:\\.|[^"\\\n])*"' r"|'[^'\n]*'", re.DOTALL)
# A comment, or a string, in which no comment begins.
COMMENT = re.compile(r"#[^\n]*|" + _STRING.pattern, re.DOTALL)
_DEEPEST = 16
_MOST_DOTS, _MOST_TABLES, _MOST_COMMAS = 100, 10_000, 100_000
_SHORT_ESCAPES = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\"}


def key_lines(text: str) -> dict[Keys, int]:
    """1-based line of every table and key, by path such as ("take", 3, "file"); of the outer 16 levels."""
    return _Scan(text).lines


def need_modest(text: str) -> None:
    """ValueError where `text` holds more than any of our files can need, and would take minutes or gigabytes to read:
    keys of a hundred parts, ten thousand lists of tables, a hundred thousand commas. Comments and quotes are free."""
    text = COMMENT.sub(lambda found: '""' + "\n" * found[0].count("\n"), text)
    for number, line in enumerate(text.split("\n"), 1):
        if line.count(".") > _MOST_DOTS:
            raise ValueError(f"more than {_MOST_DOTS} points in one line (at line {number})")
    for mark, most in (("[[", _MOST_TABLES), (",", _MOST_COMMAS)):
        if text.count(mark) > most:
            raise ValueError(f"more than {most} times {mark!r}")


def line_of(lines: dict[Keys, int], path: Keys) -> int | None:
    """Line of the deepest known part of `path`, or None."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


class _Scan:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[Keys, int] = {}
        self.counts: dict[Keys, int] = {}
        self._counted = (0, 1)
        table: Keys = ()
        while self._pass(_SPACE) and self.at < len(text):
            start = self.at
            if text[start] == "[":
                table = self._header()
            else:
                self._pair(table)
            if self.at == start:
                return

    def _line(self) -> int:
        at, line = self._counted
        self._counted = (self.at, line + self.text.count("\n", at, self.at))
        return self._counted[1]

    def _pass(self, pattern: re.Pattern[str]) -> bool:
        if match := pattern.match(self.text, self.at):
            self.at = match.end()
        return match is not None

    def _note(self, path: Keys, line: int | None = None) -> None:
        # Every level holds its whole path: without an end, deep keys would fill the memory.
        if len(path) <= _DEEPEST:
            self.lines.setdefault(path, self._line() if line is None else line)

    def _header(self) -> Keys:
        line = self._line()
        many = self.text.startswith("[[", self.at)
        self.at += 2 if many else 1
        names = self._key()
        self.at += 2 if many else 1
        path: Keys = ()
        for position, name in enumerate(names):
            path = (*path, name)
            last = position == len(names) - 1
            if last and many:
                self.counts[path] = self.counts.get(path, 0) + 1
            self._note(path, line)
            if path in self.counts:
                path = (*path, self.counts[path] - 1)
        self._note(path, line)
        return path

    def _key(self) -> tuple[str, ...]:
        names: list[str] = []
        while True:
            self._pass(_BLANK)
            start = self.at
            if self._pass(_STRING):
                names.append(_unquoted(self.text[start : self.at]))
            elif self._pass(_PART):
                names.append(self.text[start : self.at])
            self._pass(_BLANK)
            if self.text[self.at : self.at + 1] != ".":
                return tuple(names)
            self.at += 1

    def _pair(self, table: Keys) -> None:
        path = table
        line = self._line()
        for name in self._key():
            path = (*path, name)
            self._note(path, line)
        if self.text[self.at : self.at + 1] == "=":
            self.at += 1
            self._value(path)

    def _value(self, path: Keys) -> None:
        self._pass(_SPACE)
        mark = self.text[self.at : self.at + 1]
        if mark in ("[", "{"):
            self.at += 1
            self._members(path, "]" if mark == "[" else "}")
        elif not self._pass(_STRING):
            # A date and its time may be parted by a space: the rest of the value is taken in the second go.
            self._pass(_BARE)
            self._pass(_BLANK)
            self._pass(_BARE)

    def _members(self, path: Keys, end: str) -> None:
        index = 0
        while self._pass(_SPACE) and self.at < len(self.text):
            start = self.at
            if self.text[start] == end:
                self.at += 1
                return
            if end == "}":
                self._pair(path)
            else:
                self._note((*path, index))
                self._value((*path, index))
                index += 1
            self._pass(_SPACE)
            if self.text[self.at : self.at + 1] == ",":
                self.at += 1
            if self.at == start:
                return


def _unquoted(token: str) -> str:
    if token.startswith("'"):
        return token[1:-1]

    def plain(match: re.Match[str]) -> str:
        code = match[1]
        return chr(int(code[1:], 16)) if code[0] in "uU" else _SHORT_ESCAPES.get(code, code)

    return re.sub(r"\\(u[0-9A-Fa-f]{4}|U[0-9A-Fa-f]{8}|.)", plain, token[1:-1])


def read_toml(
    path: Path,
    what: str,
    *,
    most_kib: int = 1024,
    larger: str = "give the right file",
    missing: InputError | None = None,
) -> str:
    """The text of the file. what : its name in errors; larger : what to do where it is over `most_kib`; missing : the
    error where there is none. Raises InputError where it cannot be read."""
    try:
        if path.stat().st_size > most_kib * 1024:
            size = f"{most_kib // 1024} MiB" if most_kib >= 1024 else f"{most_kib} KiB"
            raise InputError(f"{what} is over {size}", where=str(path), remedy=larger)
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(f"{what} is not UTF-8 text", where=str(path), remedy="save it as UTF-8") from None
    except (OSError, ValueError) as error:
        if missing is not None and isinstance(error, FileNotFoundError):
            raise missing from None
        reason = getattr(error, "strerror", None) or str(error)
        told = f"{what} cannot be read: {reason}"
        raise InputError(told, where=str(path), remedy="check path and permissions") from None


def parsed_toml(text: str, file: str) -> tuple[dict[str, Any], dict[Keys, int]] | Fault:
    """The document and the line of each of its keys, or the fault of a text that is no TOML. file : its name there."""
    try:
        need_modest(text)
        return tomllib.loads(text), key_lines(text)
    except (ValueError, RecursionError) as error:
        is_deep = isinstance(error, RecursionError)
        found = re.search(r"line (\d+)", str(error))
        return Fault(
            "brackets are nested too deeply" if is_deep else f"this is not TOML: {error}",
            file,
            int(found[1]) if found and not is_deep else None,
            remedy="mend this line; text stands in quotes, numbers without unit and with a point, lists in brackets",
        )


def fault_texts() -> Mapping[str, dict[str, str]]:
    """What, expected and remedy of every fault, by its name."""
    return table_of("session", "faults")


def told(
    name: str,
    file: str,
    line: int | None = None,
    field: str = "",
    /,
    *,
    expected: str | None = None,
    remedy: str | None = None,
    **facts: Any,
) -> Fault:
    """The fault of that name with its facts in place of the braces. expected, remedy : where the case decides them."""
    text = {part: words.format(**facts) for part, words in fault_texts()[name].items()}
    text |= {part: own for part, own in (("expected", expected), ("remedy", remedy)) if own is not None}
    return Fault(text["what"], file, line, field, expected=text.get("expected", ""), remedy=text.get("remedy", ""))


def of_file(error: InputError, name: str, field: str) -> Fault:
    """What a reader says of the file `name`, with the line of it where it tells one."""
    line = re.search(r", line (\d+)$", error.where)
    return Fault(error.what, name, int(line[1]) if line else None, field, expected=error.expected, remedy=error.remedy)
