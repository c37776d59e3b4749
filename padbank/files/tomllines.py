"""The line of every key and list entry of a TOML text, which ``tomllib`` does not keep.

The text must already have been parsed: this only walks through it.

Function: ``line_numbers``.
"""

from __future__ import annotations

import re

PathKey = tuple[str | int, ...]


class _LineScanner:
    """Walks through text that is known to be valid TOML and notes where each key begins."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[PathKey, int] = {}
        self.list_lengths: dict[PathKey, int] = {}
        self._counted_to = 0
        self._line = 1

    def line(self) -> int:
        self._line += self.text.count("\n", self._counted_to, self.at)
        self._counted_to = self.at
        return self._line

    def skip(self, newlines: bool = True) -> None:
        blank = " \t\r\n" if newlines else " \t"
        while self.at < len(self.text):
            if self.text[self.at] in blank:
                self.at += 1
            elif self.text[self.at] == "#":
                end = self.text.find("\n", self.at)
                self.at = len(self.text) if end < 0 else end
            else:
                return

    def string(self) -> str:
        quote = self.text[self.at]
        fence = quote * 3 if self.text.startswith(quote * 3, self.at) else quote
        start = self.at + len(fence)
        self.at = start
        while not self.text.startswith(fence, self.at):
            self.at += 2 if quote == '"' and self.text[self.at] == "\\" else 1
        while len(fence) == 3 and self.text.startswith(fence, self.at + 1):
            self.at += 1  # up to two quotes may stand just inside the closing three
        found = self.text[start : self.at]
        self.at += len(fence)
        return found

    def key(self) -> list[str]:
        parts = []
        while True:
            self.skip(newlines=False)
            if self.text[self.at] in "\"'":
                parts.append(self.string())
            else:
                match = re.compile(r"[A-Za-z0-9_-]+").match(self.text, self.at)
                if match is None:
                    return parts
                parts.append(match[0])
                self.at = match.end()
            self.skip(newlines=False)
            if self.text[self.at] != ".":
                return parts
            self.at += 1

    def value(self, path: PathKey) -> None:
        char = self.text[self.at]
        if char in "\"'":
            self.string()
        elif char == "[":
            self.at += 1
            index = 0
            self.skip()
            while self.text[self.at] != "]":
                self.lines[(*path, index)] = self.line()
                self.value((*path, index))
                index += 1
                self.skip()
                if self.text[self.at] == ",":
                    self.at += 1
                    self.skip()
            self.at += 1
        elif char == "{":
            self.at += 1
            self.skip()
            while self.text[self.at] != "}":
                self.pair(path)
                self.skip()
                if self.text[self.at] == ",":
                    self.at += 1
                    self.skip()
            self.at += 1
        else:
            while self.at < len(self.text) and self.text[self.at] not in ",]}#\n":
                self.at += 1

    def pair(self, table: PathKey) -> None:
        line = self.line()
        path = table
        for part in self.key():
            path = (*path, part)
            self.lines.setdefault(path, line)
        self.skip(newlines=False)
        self.at += 1  # the equals sign
        self.skip(newlines=False)
        self.value(path)

    def header(self) -> PathKey:
        line = self.line()
        is_list = self.text.startswith("[[", self.at)
        self.at += 2 if is_list else 1
        parts = self.key()
        self.at += 2 if is_list else 1
        path: PathKey = ()
        for position, part in enumerate(parts):
            path = (*path, part)
            self.lines.setdefault(path, line)
            if is_list and position == len(parts) - 1:
                self.list_lengths[path] = self.list_lengths.get(path, 0) + 1
            if path in self.list_lengths:
                path = (*path, self.list_lengths[path] - 1)
                self.lines.setdefault(path, line)
        return path

    def scan(self) -> dict[PathKey, int]:
        table: PathKey = ()
        self.skip()
        while self.at < len(self.text):
            if self.text[self.at] == "[":
                table = self.header()
            else:
                self.pair(table)
            self.skip()
        return self.lines


def line_numbers(text: str) -> dict[PathKey, int]:
    """Line (from 1) of every table, key and list entry of valid TOML text.

    >>> line_numbers('a = 1\\n[[b]]\\nc = 2')[("b", 0, "c")]
    3
    """
    try:
        return _LineScanner(text).scan()
    except IndexError:  # text that tomllib would refuse: the lines found so far will do
        return {}
