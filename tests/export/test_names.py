"""Names: what a card can hold. Facts from the exFAT specification and Microsoft's "Naming Files"."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from padbank import cardnames
from padbank.domain import NameRules
from padbank.export.names import NameParts, card_name, check_names, folder_names, safe_text

RULES = NameRules()


def codes(findings: list) -> list[str]:
    assert all(f.severity == "error" for f in findings)
    return sorted(f.code for f in findings)


@pytest.mark.parametrize(
    ("text", "want"),
    [
        ("foghorn", "foghorn"),
        ("Çöl rüzgârı / son", "Col_ruzgari_son"),
        ("Straße & Fähre", "Strasse_and_Fahre"),
        ("Łódź øre þing", "Lodz_ore_thing"),
        ("e\u0301te\u0301", "ete"),  # composed and decomposed text give one name
        ("été", "ete"),
        ("ﬁne ２", "fine_2"),
        ("-rf", "rf"),  # POSIX.1: no leading hyphen
        ("..hidden", "hidden"),
        ('a"b*c/d:e<f>g?h\\i|j', "a_b_c_d_e_f_g_h_i_j"),
        ("汽笛", "_"),
        ("", ""),
    ],
)
def test_text_is_brought_into_the_safe_set(text: str, want: str) -> None:
    assert safe_text(text) == want


@given(st.one_of(st.text(max_size=40), st.text(alphabet="_-. aé汽", max_size=8)))
def test_safe_text_is_safe_and_settled(text: str) -> None:
    made = safe_text(text)
    assert set(made) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-")
    assert not made.startswith(("-", "."))
    assert safe_text(made) == made


@pytest.mark.parametrize(
    "name", ["CON", "con.wav", "Nul.tar.gz", "COM1.wav", "lpt9", "COM¹.wav", "lpt³", "aux .wav"]
)
def test_device_names_are_impossible(name: str) -> None:
    # Microsoft, "Naming Files, Paths, and Namespaces": with any extension, superscript digits too
    assert "device name" in (cardnames.name_fault(name) or "")


@pytest.mark.parametrize(
    "name", ["console.wav", "COM10.wav", "COM.wav", "01_con.wav", "lpt.wav", "nul1.wav"]
)
def test_names_that_only_look_like_device_names_are_fine(name: str) -> None:
    assert cardnames.name_fault(name) is None


@pytest.mark.parametrize("char", ['"', "*", "/", ":", "<", ">", "?", "\\", "|", "\x00", "\x1f"])
def test_forbidden_characters(char: str) -> None:
    # exFAT file system specification, table 35
    assert cardnames.name_fault(f"a{char}b.wav") is not None


@pytest.mark.parametrize("name", ["a.", "a ", "a.wav.", "", ".", ".."])
def test_impossible_endings(name: str) -> None:
    assert cardnames.name_fault(name) is not None


def test_length_counts_utf16_units() -> None:
    # exFAT specification: 255 UTF-16 units; U+1F941 takes two
    assert cardnames.name_fault("a" * 255) is None
    assert cardnames.name_fault("a" * 256) is not None
    assert cardnames.utf16_units("\U0001f941") == 2
    assert cardnames.name_fault("\U0001f941" * 128) is not None
    assert cardnames.name_fault("\U0001f941" * 127) is None


@pytest.mark.parametrize(
    ("name", "entries"),
    # 1 + ceil(n / 13): 13 units in each 32-byte long entry plus the short one (Linux msdos_fs.h);
    # an upper-case 8.3 name takes one
    [
        ("a" * 13, 2),
        ("a" * 14, 3),
        ("a" * 26, 3),
        ("a" * 27, 4),
        ("a" * 255, 21),
        ("01_HORN.WAV", 1),
        ("01_HORNS1.WAV", 2),
    ],
)
def test_directory_entries(name: str, entries: int) -> None:
    assert cardnames.fat_entries(name) == entries


def test_default_patterns_give_the_documented_names() -> None:
    assert card_name(RULES.bank_folder, NameParts(bank=1, segment="opening"), RULES) == "01_opening"
    assert card_name(RULES.file, NameParts(pad=1, clip="foghorn"), RULES) == "01_foghorn.wav"


def test_shortening_keeps_number_and_ending() -> None:
    rules = NameRules(max_name_chars=12)
    name = card_name(rules.file, NameParts(pad=9, clip="harbour-bell-long"), rules)
    assert name == "09_harbo.wav" and len(name) == 12
    # the longest text is cut first; both stay readable
    rules = NameRules(file="{bank}_{segment}_{clip}_{pad:02d}.wav", max_name_chars=24)
    name = card_name(
        rules.file, NameParts(bank=3, pad=7, segment="opening", clip="a-very-long-clip-name"), rules
    )
    assert name.startswith("3_opening_a-very") and name.endswith("_07.wav") and len(name) <= 24


def test_shortened_names_stay_unique_and_do_not_depend_on_order() -> None:
    rules = NameRules(file="{clip}.wav", max_name_chars=14)
    clips = ["harbour-bell-one", "harbour-bell-two", "horn"]
    parts = [NameParts(clip=c) for c in clips]
    names = folder_names(rules.file, parts, rules)
    assert len(set(names)) == 3 and all(len(n) <= 14 for n in names) and names[2] == "horn.wav"
    backwards = folder_names(rules.file, parts[::-1], rules)
    assert backwards[::-1] == names
    assert check_names(names, rules) == []


@given(
    clips=st.lists(
        st.from_regex(r"[a-z0-9][a-z0-9-]{0,50}", fullmatch=True),
        min_size=1,
        max_size=12,
        unique=True,
    ),
    limit=st.integers(min_value=10, max_value=40),
    upper=st.booleans(),
)
def test_numbered_names_always_fit_and_never_collide(
    clips: list[str], limit: int, upper: bool
) -> None:
    rules = NameRules(max_name_chars=limit, upper_case=upper)
    names = folder_names(
        rules.file, [NameParts(pad=i + 1, clip=c) for i, c in enumerate(clips)], rules
    )
    assert check_names([f"01_x/{n}" for n in names], rules) == []
    for i, name in enumerate(names):
        assert cardnames.fits_pattern(rules.file, name, {"pad": i + 1})
        assert not upper or name == name.upper()


def test_names_alike_but_for_case_are_found() -> None:
    assert codes(check_names(["01_a/Horn.wav", "01_a/horn.WAV"], RULES)) == ["name-twice"]
    assert codes(check_names(["01_a/horn.wav", "01_A/bell.wav"], RULES)) == ["name-twice"]
    assert codes(check_names(["01_a/horn.wav", "01_a/horn.wav"], RULES)) == ["name-twice"]
    assert codes(check_names(["Set.JSON"], RULES, extra=["set.json"])) == ["name-twice"]
    assert codes(check_names(["a/\u00e9.wav", "a/e\u0301.WAV"], RULES)) == ["name-twice"]
    assert check_names(["01_a/horn.wav", "02_a/horn.wav"], RULES) == []


def test_every_fault_is_reported_at_once() -> None:
    rules = NameRules(
        file="{pad:02d}:{clip}.wav",
        bank_folder="{bank:02d}_{zone}",
        max_name_chars=20,
        max_files_per_folder=2,
    )
    found = check_names(["CON/a.wav", "x/b .wav ", "y/" + "n" * 21, "z/1", "z/2", "z/3"], rules)
    assert codes(found) == [
        "folder-files",
        "name-impossible",
        "name-impossible",
        "name-pattern",
        "name-pattern",
        "name-too-long",
    ]
    by_code = {f.code: f for f in found}
    assert (by_code["folder-files"].number, by_code["folder-files"].limit) == (3, 2)
    assert (by_code["name-too-long"].number, by_code["name-too-long"].limit) == (21, 20)


def test_folder_entries_of_fat() -> None:
    # 65,534 usable entries: 21,844 names of 26 units (3 entries each) fit, one more does not
    rules = NameRules(max_files_per_folder=10**6)
    names = [f"a/{i:06d}_{'x' * 15}.wav" for i in range(21_845)]
    assert len(names[0]) - 2 == 26
    assert check_names(names[:21_844], rules) == []
    assert codes(check_names(names, rules)) == ["folder-entries"]


def test_windows_path_length() -> None:
    rules = NameRules(max_name_chars=250)
    long = "01_" + "s" * 120 + "/" + "c" * 130
    assert check_names([long], rules) == []  # E:\ + 254
    assert codes(check_names([long], rules, folder="harbour-night")) == ["path-too-long"]


@pytest.mark.parametrize(
    ("pattern", "says"),
    [
        ("{pad:02d", "not a name pattern"),
        ("{pad!r}_{clip}.wav", "not a name pattern"),
        ("{clip.__class__}.wav", "asks for"),
        ("{pad:>40}.wav", "format"),
        ("{clip:10}.wav", "format"),
        ("{pad}|{clip}.wav", "no card name"),
        ("{}.wav", "asks for"),
    ],
)
def test_malformed_patterns_are_named(pattern: str, says: str) -> None:
    assert says in (cardnames.pattern_fault(pattern) or "")
