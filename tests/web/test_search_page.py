"""The list's search in a real Chromium: each keystroke finds what a plain look through every row finds."""

from __future__ import annotations

import random

WORDS = ("gull", "anchor", "lantern", "rope", "tide", "quay", "barrel", "mast", "émile", "ночь", "7-up", "a_b")

COMPARE = """async ([rows, steps]) => {
  const { createSearch, readRows, wordsOf } = await import('/static/js/search.js');
  const columns = ['name', 'duration_s', 'role', 'channels', 'sample_rate_hz', 'loudness_lufs', 'true_peak_dbtp', 'tags', 'licence', 'came_from'];
  const search = createSearch(readRows({ columns, rows }));
  const found = [];
  for (const [text, filters, renamed] of steps) {
    if (renamed) { const row = search.rows[renamed[0]]; row.name = renamed[1]; search.changed(row); }
    search.find(wordsOf(text), filters);
    found.push(Array.from({ length: search.length }, (_, i) => search.at(i).name));
  }
  return found;
}"""


def plain_search(rows, text, filters):
    """What each keystroke has to find, row by row, sorted by Python's own sort."""
    words = text.lower().split()
    kept = []
    for number, row in enumerate(rows):
        name, loudness, tags, licence, source = row[0], row[5], row[7], row[8], row[9]
        hay = f"{name} {' '.join(tags)} {source} {licence or ''}".lower()
        cleared = licence not in (None, "NONE", "NOASSERTION")
        if (
            all(word in hay for word in words)
            and filters["tag"] in ("", *tags)
            and filters["role"] in ("", row[2])
            and filters["rights"] in ("", "cleared" if cleared else "open")
        ):
            kept.append((number, name, loudness))
    if filters["sort"] == "loudness_lufs":
        known = sorted((k for k in kept if k[2] is not None), key=lambda k: (-k[2] if filters["down"] else k[2], k[0]))
        kept = known + [k for k in kept if k[2] is None]
    elif filters["down"]:
        kept.sort(key=lambda k: k[1], reverse=True)
    return [k[1] for k in kept]


def test_typing_deleting_and_filtering_find_what_a_plain_look_finds(tab):
    pick = random.Random(5)
    rows = []
    for number in range(400):
        name = f"{pick.choice(WORDS)}-{pick.choice(WORDS)}-{number:03d}"
        tags = sorted(set(pick.choices(WORDS, k=pick.randrange(3))))
        licence = pick.choice([None, "NONE", "CC0-1.0", "CC-BY-4.0"])
        loudness = pick.choice([None, *(float(-n) for n in range(10, 30))])
        rows.append([name, 1.0, pick.choice(["hit", "phrase"]), 1, 44100, loudness, -1.0, tags, licence, f"{pick.choice(WORDS).upper()}.wav"])
    rows.sort(key=lambda row: row[0])
    steps = []
    for _ in range(25):
        filters = {
            "tag": pick.choice(["", "", *WORDS[:3]]), "role": pick.choice(["", "", "hit"]), "rights": pick.choice(["", "cleared", "open"]),
            "sort": pick.choice(["name", "loudness_lufs"]), "down": pick.random() < 0.4,
        }  # fmt: skip
        typed = " ".join(pick.choices(WORDS, k=pick.randrange(1, 3)))
        texts = [typed[:end] for end in range(len(typed) + 1)] + [typed[:end] for end in range(len(typed), 0, -2)]
        texts += [typed + " a", "a " + typed]
        renamed = [pick.randrange(400), f"renamed-{len(steps)}"] if pick.random() < 0.3 else None
        steps += [[text, filters, renamed if index == 3 else None] for index, text in enumerate(texts)]
    page = tab().open("clips")
    found = page.evaluate(COMPARE, [rows, steps])
    assert len(found) == len(steps)
    for (text, filters, renamed), names in zip(steps, found, strict=True):
        if renamed:
            rows[renamed[0]] = [renamed[1], *rows[renamed[0]][1:]]
        assert names == plain_search(rows, text, filters), (text, filters)
