"""The catalogue: SQLite rows on one side, domain values on the other.

Every change happens inside one transaction. Two programs beside each other
(a command and the page) wait for one another for ``BUSY_S`` seconds. Numbers
that SQLite cannot hold (NaN, infinities) never reach it: what does not exist
is NULL.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager
from dataclasses import asdict, fields, replace
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from padbank.domain import Clip, ControlPlace, Layout, Measurement, Original, Place, Recipe
from padbank.errors import InputError, StoreError

if TYPE_CHECKING:
    from sqlite_utils import Database

BUSY_S = 15.0

SCHEMA = ("m001_clips", "m002_layouts")
"""Names of all of ``store.migrations``, known without loading them."""

AS_PLAYED = "/as-played"
"""What the meter adds to its method's name when it counts a mono clip on both sides."""

CLIP_QUERY = """
select c.id, c.name, c.licence, c.credit, c.recipe_number, c.removed_at, r.recipe,
       o.*, (select group_concat(tag, ' ') from (select tag from tags where clip = c.id order by tag)) as tags
from clips c
join originals o on o.sha256 = c.original
join recipes r on r.clip = c.id and r.number = c.recipe_number
"""


def now_text() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


ORIGINAL_FIELDS, RECIPE_FIELDS, MEASUREMENT_FIELDS = (
    tuple(f.name for f in fields(kind)) for kind in (Original, Recipe, Measurement)
)


def _row(value: object, names: Sequence[str]) -> dict[str, Any]:
    """Fields of a flat dataclass: ``asdict`` copies deeply, at twenty times the cost."""
    return {name: getattr(value, name) for name in names}


def recipe_to_json(recipe: Recipe) -> str:
    return json.dumps(_row(recipe, RECIPE_FIELDS), sort_keys=True)


def recipe_from_json(text: str) -> Recipe:
    return Recipe(**json.loads(text))


def layout_to_json(layout: Layout) -> str:
    return json.dumps(asdict(layout), sort_keys=True)


def layout_from_json(text: str) -> Layout:
    data = json.loads(text)
    data["places"] = tuple(Place(**p) for p in data["places"])
    data["controls"] = tuple(ControlPlace(**c) for c in data["controls"])
    data["bank_segments"] = tuple(tuple(s) for s in data["bank_segments"])
    return Layout(**data)


class Catalogue:
    """One open catalogue. Use as a context manager, or call ``close``."""

    def __init__(self, path: Path) -> None:
        """Open or make the catalogue at ``path``; bring its schema up to date.

        An older catalogue is copied beside itself (``catalogue.before-….db``)
        before its schema changes.

        Raises
        ------
        StoreError
            when it is no catalogue, is held by another program, or was made by a newer padbank
        """
        self.path = path
        try:
            with ExitStack() as on_failure:  # a catalogue that stays open stays locked on Windows
                self._connection = sqlite3.connect(path, timeout=BUSY_S, check_same_thread=False)
                on_failure.callback(self._connection.close)
                self._connection.execute("pragma foreign_keys = on")
                self._bring_up_to_date()
                on_failure.pop_all()
        except sqlite3.DatabaseError as error:
            raise StoreError(
                f"{path} cannot be opened as a library catalogue ({error}): close other programs that "
                "use it, or put back a copy of the library folder"
            ) from error

    @cached_property
    def db(self) -> Database:
        """The catalogue in the hands of sqlite-utils, loaded when it is needed: that takes longer than most look-ups."""
        from sqlite_utils import Database

        return Database(self._connection, execute_plugins=False)

    def _bring_up_to_date(self) -> None:
        applied = self._applied()
        if applied - set(SCHEMA):
            raise StoreError(
                f"{self.path} was made by a newer padbank: update padbank (git pull, then start.py) and try again"
            )
        if applied == set(SCHEMA):
            return
        from padbank.store.migrations import migrations

        with self.atomic():
            pending = migrations.pending(self.db)  # perhaps none any more: another program may have begun too
            if pending and applied:
                backup = self.path.with_name(f"{self.path.stem}.before-{pending[0].name}.db")
                with closing(sqlite3.connect(backup)) as copy:
                    self._connection.backup(copy)
            migrations.apply(self.db)

    def _applied(self) -> set[str]:
        """The steps of the schema that this catalogue has taken."""
        if not self._query("select 1 from sqlite_master where name = '_sqlite_migrations'"):
            return set()
        rows = self._query("select name from _sqlite_migrations where migration_set = 'padbank'")
        return {row["name"] for row in rows}

    def _query(self, sql: str, values: Sequence[Any] = ()) -> list[dict[str, Any]]:
        """Rows by the names of their columns."""
        cursor = self._connection.execute(sql, values)
        names = [column[0] for column in cursor.description]
        return [dict(zip(names, row, strict=True)) for row in cursor]

    def close(self) -> None:
        self._connection.close()

    @contextmanager
    def atomic(self) -> Iterator[None]:
        """Everything inside happens together or not at all, and nobody else writes meanwhile.

        Raises
        ------
        StoreError
            when the catalogue cannot be written
        """
        connection = self._connection
        if connection.in_transaction:
            with self.db.atomic():
                yield
            return
        try:
            connection.execute("begin immediate")  # a plain "begin" may read first and then wait in vain
            yield
            connection.execute("commit")
        except BaseException as error:
            connection.rollback()
            if isinstance(error, sqlite3.OperationalError) and (what := _why_not_written(error)):
                raise StoreError(f"{self.path} cannot be written: {what}, then do the same again") from error
            raise

    def _put(self, table: str, row: dict[str, Any], *, or_update: Sequence[str] = (), or_ignore: bool = False) -> int:
        """Insert one row by one statement, and give its row id.

        The table's shape is known here, so it is not asked for anew at every
        row, which takes most of the time of an insert. ``or_update``: the key
        by which a row there already is brought up to date instead.
        """
        columns = ", ".join(f"[{name}]" for name in row)
        marks = ", ".join("?" * len(row))
        statement = f"insert{' or ignore' if or_ignore else ''} into [{table}] ({columns}) values ({marks})"
        if or_update:
            key = ", ".join(f"[{name}]" for name in or_update)
            new = ", ".join(f"[{name}] = excluded.[{name}]" for name in row if name not in or_update)
            statement += f" on conflict ({key}) do update set {new}"
        if self._connection.in_transaction:
            return self._connection.execute(statement, list(row.values())).lastrowid or 0
        with self.atomic():
            return self._connection.execute(statement, list(row.values())).lastrowid or 0

    # ------------------------------------------------------------ originals and sources

    def add_original(self, original: Original) -> None:
        self._put("originals", {**_row(original, ORIGINAL_FIELDS), "added_at": now_text()}, or_ignore=True)

    def original_like(self, sound_sha256: str) -> str | None:
        """SHA-256 of an original whose decoded sound is the same, if there is one."""
        rows = list(
            self._query(
                "select o.sha256 from originals o join clips c on c.original = o.sha256 "
                "where o.sound_sha256 = ? order by c.id limit 1",
                [sound_sha256],
            )
        )
        return rows[0]["sha256"] if rows else None

    def originals(self) -> list[Original]:
        return [Original(**{n: row[n] for n in ORIGINAL_FIELDS}) for row in self._query("select * from originals")]

    def suffixes(self) -> dict[str, str]:
        """The suffix of every original that a clip uses, by SHA-256."""
        query = "select sha256, suffix from originals where sha256 in (select original from clips)"
        return dict(self._connection.execute(query))

    def source_seen(self, path: str, section: str) -> tuple[int, int, str] | None:
        """(size, modification time in ns, original) of a file as it was when added."""
        for row in self._query("select * from sources where path = ? and section = ?", [path, section]):
            return row["n_bytes"], row["mtime_ns"], row["original"]
        return None

    def note_source(self, path: str, section: str, n_bytes: int, mtime_ns: int, original: str) -> None:
        self._put(
            "sources",
            {"path": path, "section": section, "n_bytes": n_bytes, "mtime_ns": mtime_ns, "original": original},
            or_update=("path", "section"),
        )

    def source_paths(self, original: str | None = None) -> dict[str, list[str]]:
        """Every file that each original's sound came in by, in the order in which they came; of one original, or of all."""
        found: dict[str, list[str]] = {}
        where, args = ("where original = ?", [original]) if original else ("", [])
        for row in self._query(f"select original, path from sources {where} order by rowid", args):
            found.setdefault(row["original"], []).append(row["path"])
        return found

    # ------------------------------------------------------------ clips

    def _clip(self, row: dict[str, Any]) -> Clip:
        original = Original(**{n: row[n] for n in ORIGINAL_FIELDS})
        return Clip(
            name=row["name"],
            original=original,
            recipe=recipe_from_json(row["recipe"]),
            tags=tuple((row["tags"] or "").split()),
            licence=row["licence"],
            credit=row["credit"],
        )

    def clips(self, *, removed: bool = False) -> list[Clip]:
        """All clips in order of name."""
        where = "where c.removed_at is not null" if removed else "where c.removed_at is null"
        return [self._clip(row) for row in self._query(f"{CLIP_QUERY} {where} order by c.name")]

    def clips_wanted(self, names: Iterable[str], tags: Iterable[str]) -> list[Clip]:
        """The clips with one of these names or tags, in order of name, without reading the others."""
        where = (
            "where c.removed_at is null and (c.name in (select value from json_each(?)) "
            "or c.id in (select clip from tags where tag in (select value from json_each(?))))"
        )
        args = [json.dumps(sorted(set(names))), json.dumps(sorted(set(tags)))]
        return [self._clip(row) for row in self._query(f"{CLIP_QUERY} {where} order by c.name", args)]

    def clip_named(self, name: str, *, removed: bool = False) -> Clip | None:
        state = "is not null" if removed else "is null"
        for row in self._query(f"{CLIP_QUERY} where c.name = ? and c.removed_at {state}", [name]):
            return self._clip(row)
        return None

    def clip_of(self, sha256: str) -> tuple[Clip, bool] | None:
        """The clip of an original and whether it has been removed."""
        rows = self._query(f"{CLIP_QUERY} where c.original = ? order by c.removed_at is not null, c.id", [sha256])
        for row in rows:
            return self._clip(row), row["removed_at"] is not None
        return None

    def names_taken(self) -> set[str]:
        """Every name in use, removed clips included."""
        return {row["name"] for row in self._query("select name from clips")}

    def version(self) -> int:
        """A number that changes when another program has written to the catalogue."""
        return int(self._connection.execute("pragma data_version").fetchone()[0])

    def add_clip(self, clip: Clip, why: str = "as proposed") -> None:
        row = {
            "name": clip.name, "original": clip.original.sha256, "recipe_number": 1,
            "licence": clip.licence, "credit": clip.credit, "added_at": now_text(), "removed_at": None,
        }  # fmt: skip
        clip_id = self._put("clips", row)
        self._put(
            "recipes",
            {"clip": clip_id, "number": 1, "recipe": recipe_to_json(clip.recipe), "made_at": now_text(), "why": why},
        )
        for tag in clip.tags:
            self._put("tags", {"clip": clip_id, "tag": tag})

    def _id(self, name: str) -> int:
        for row in self._query("select id from clips where name = ?", [name]):
            return int(row["id"])
        raise InputError(f"there is no clip named {name!r}: padbank find lists the names")

    def set_recipe(self, name: str, recipe: Recipe, why: str) -> int:
        """A new recipe for a clip, after the one in force; later undone ones are dropped."""
        clip_id = self._id(name)
        number = self.recipe_number(name) + 1
        self.db.table("recipes").delete_where("clip = ? and number >= ?", [clip_id, number])
        self.db.table("recipes").insert(
            {"clip": clip_id, "number": number, "recipe": recipe_to_json(recipe), "made_at": now_text(), "why": why}
        )
        self.db.table("clips").update(clip_id, {"recipe_number": number})
        return number

    def recipe_number(self, name: str) -> int:
        return int(self._query("select recipe_number from clips where name = ?", [name])[0]["recipe_number"])

    def undo_recipe(self, name: str) -> Recipe | None:
        """Step back to the recipe before; None when there is none."""
        clip_id, number = self._id(name), self.recipe_number(name)
        if number <= 1:
            return None
        self.db.table("clips").update(clip_id, {"recipe_number": number - 1})
        row = self.db.table("recipes").get((clip_id, number - 1))
        return recipe_from_json(row["recipe"])

    def recipe_history(self, name: str) -> list[dict[str, Any]]:
        """Every recipe of a clip: number, recipe (as a mapping), when and why."""
        rows = self._query("select * from recipes where clip = ? order by number", [self._id(name)])
        return [{**row, "recipe": json.loads(row["recipe"])} for row in rows]

    def rename(self, name: str, new_name: str) -> None:
        """Give a clip another name, in its layouts and takes as well."""
        if new_name in self.names_taken():
            raise InputError(f"the name {new_name!r} is taken: choose another")
        with self.atomic():
            self.db.table("clips").update(self._id(name), {"name": new_name})
            self._connection.execute("update hits set clip = ? where clip = ?", [new_name, name])
            for row in self._query("select show, number, layout from layouts where instr(layout, ?)", [json.dumps(name)]):
                layout = layout_from_json(row["layout"])
                places = tuple(replace(p, clip=new_name) if p.clip == name else p for p in layout.places)
                self.db.table("layouts").update(
                    (row["show"], row["number"]), {"layout": layout_to_json(replace(layout, places=places))}
                )

    def set_rights(self, name: str, licence: str | None, credit: str | None) -> None:
        self.db.table("clips").update(self._id(name), {"licence": licence, "credit": credit})

    def change_tags(self, name: str, add: Iterable[str], drop: Iterable[str]) -> None:
        clip_id = self._id(name)
        for tag in drop:
            self.db.table("tags").delete_where("clip = ? and tag = ?", [clip_id, tag])
        self.db.table("tags").insert_all(({"clip": clip_id, "tag": tag} for tag in add), ignore=True)

    def set_removed(self, name: str, removed: bool) -> None:
        """Take a clip out of sight, or bring it back. Its original stays."""
        self.db.table("clips").update(self._id(name), {"removed_at": now_text() if removed else None})

    def tag_counts(self) -> dict[str, int]:
        query = (
            "select tag, count(*) as n from tags join clips on clips.id = tags.clip "
            "where removed_at is null group by tag order by tag"
        )
        return {row["tag"]: row["n"] for row in self._query(query)}

    # ------------------------------------------------------------ measurements

    def keep_measurement(self, original: str, recipe_key: str, measurement: Measurement) -> None:
        row = {"original": original, "recipe_key": recipe_key, **_row(measurement, MEASUREMENT_FIELDS)}
        self._put("measurements", row, or_update=("original", "recipe_key", "method"))

    def measurement(self, original: str, recipe_key: str, method: str) -> Measurement | None:
        rows = self._query(
            "select * from measurements where original = ? and recipe_key = ? and method in (?, ?)",
            [original, recipe_key, method, method + AS_PLAYED],
        )
        for row in rows:
            return _measurement(row)
        return None

    def measurements(self, method: str) -> dict[tuple[str, str], Measurement]:
        """Everything measured with ``method`` (mono as in the file, or as played), by (original, recipe key)."""
        rows = self._query("select * from measurements where method in (?, ?)", [method, method + AS_PLAYED])
        return {(row["original"], row["recipe_key"]): _measurement(row) for row in rows}

    def keep_profile(self, original: str, recipe_key: str, profile: dict[str, Any]) -> None:
        row = {"original": original, "recipe_key": recipe_key, "profile": json.dumps(profile, sort_keys=True)}
        self._put("profiles", row, or_update=("original", "recipe_key"))

    def profile(self, original: str, recipe_key: str) -> dict[str, Any]:
        """What is known for choosing versions of one clip; empty when nothing is."""
        for row in self._query("select * from profiles where original = ? and recipe_key = ?", [original, recipe_key]):
            return dict(json.loads(row["profile"]))
        return {}

    def profiles(self) -> dict[tuple[str, str], dict[str, Any]]:
        return {(r["original"], r["recipe_key"]): json.loads(r["profile"]) for r in self._query("select * from profiles")}

    # ------------------------------------------------------------ hits

    def keep_hits(self, show: str, take: str, hits: dict[tuple[str, str], float]) -> None:
        """What a take hit, by (segment, clip); a take of the same name is counted anew."""
        self.db.table("hits").delete_where("show = ? and take = ?", [show, take])
        self.db.table("hits").insert_all(
            {"show": show, "segment": segment, "clip": clip, "hits": count, "take": take, "at": now_text()}
            for (segment, clip), count in sorted(hits.items())
        )

    def mean_hits(self, shows: Sequence[str]) -> dict[tuple[str, str], float]:
        """Hits of a take on average, by (segment, clip), over every take of these shows."""
        marks = ", ".join("?" * len(shows))
        takes = next(
            iter(self._query(f"select count(distinct show || '/' || take) as n from hits where show in ({marks})", list(shows)))
        )["n"]
        query = f"select segment, clip, sum(hits) as n from hits where show in ({marks}) group by segment, clip"
        return {(r["segment"], r["clip"]): r["n"] / takes for r in self._query(query, list(shows))} if takes else {}

    def uses(self) -> dict[str, float]:
        """How often each clip was hit in all takes."""
        return {r["clip"]: float(r["n"]) for r in self._query("select clip, sum(hits) as n from hits group by clip")}

    # ------------------------------------------------------------ layouts

    def add_layout(self, layout: Layout, result: dict[str, Any]) -> Layout:
        """Number and keep a layout with what is known of it; returns it with its number."""
        rows = self._query("select max(number) as n from layouts where show = ?", [layout.show])
        number = (rows[0]["n"] or 0) + 1
        numbered = replace(layout, number=number)
        self._put(
            "layouts",
            {
                "show": layout.show, "number": number, "rig": layout.rig,
                "layout": layout_to_json(numbered), "result": json.dumps(result, sort_keys=True),
                "made_at": now_text(),
            },
        )  # fmt: skip
        return numbered

    def layout(self, show: str, number: int | None = None) -> tuple[Layout, dict[str, Any]] | None:
        """A show's layout and its result: the newest, or the one with that number."""
        where, args = ("show = ?", [show]) if number is None else ("show = ? and number = ?", [show, number])
        for row in self._query(f"select * from layouts where {where} order by number desc limit 1", args):
            return layout_from_json(row["layout"]), json.loads(row["result"])
        return None

    def last_laid_out(self) -> str | None:
        """The show whose layout was made last."""
        for row in self._query("select show from layouts order by made_at desc, rowid desc limit 1"):
            return str(row["show"])
        return None

    def shows_laid_out(self) -> frozenset[str]:
        """Shows that have a layout."""
        return frozenset(str(row["show"]) for row in self._query("select distinct show from layouts"))

    def layout_numbers(self, show: str) -> Sequence[int]:
        return [r["number"] for r in self._query("select number from layouts where show = ? order by number", [show])]


def _measurement(row: dict[str, Any]) -> Measurement:
    return Measurement(**{n: row[n] for n in MEASUREMENT_FIELDS})


def _why_not_written(error: sqlite3.OperationalError) -> str | None:
    """What keeps SQLite from writing and what to do; None for faults of another kind."""
    reasons = {
        "SQLITE_FULL": "the disk is full; make room on it",
        "SQLITE_BUSY": "another program is writing to it; wait until that is done",
        "SQLITE_READONLY": "it is read-only for you; see that you may write in its folder",
        "SQLITE_CANTOPEN": "no file can be made in its folder; see that you may write there",
        "SQLITE_IOERR": "the disk reports an error; see that it is there and sound",
    }
    name = str(getattr(error, "sqlite_errorname", ""))
    return next((what for begin, what in reasons.items() if name.startswith(begin)), None)
