"""Sheets as spreadsheet programs and people save them."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import make_configuration as good
from grooveledger.configuration.fault_list import Faults
from grooveledger.configuration.sheets import parse_sheet, read_sheet

TEXT = good.sheet(good.CAPTURES)


def read(content, folder, schema_name="captures"):
    path = folder / "sheet.tsv"
    path.write_bytes(content)
    faults = Faults()
    return read_sheet(path, "sheet.tsv", schema_name, faults), faults.in_order()


def rows_of(text):
    faults = Faults()
    rows = parse_sheet(text, "sheet.tsv", "captures", faults)
    assert not faults
    return rows


@pytest.mark.parametrize(
    "content",
    [
        TEXT.encode(),
        b"\xef\xbb\xbf" + TEXT.encode(),
        TEXT.replace("\n", "\r\n").encode(),
        TEXT.replace("\n", "\r").encode(),
        TEXT.replace("\t", " \t ").encode(),
        TEXT.replace("\n", "\t\t\t\n").encode(),
        (TEXT + "\t" * 10 + "\n\n\n").encode(),
        TEXT.rstrip("\n").encode(),
        ('"' + TEXT.rstrip("\n").replace("\t", '"\t"').replace("\n", '"\n"') + '"\n').encode(),
    ],
    ids=["plain", "mark", "crlf", "cr", "spaces", "more-cells", "more-rows", "no-end", "quoted"],
)
def test_the_ways_of_saving_a_sheet_make_no_difference(content, tmp_path):
    rows, faults = read(content, tmp_path)
    assert not faults
    assert [row.values for row in rows] == [row.values for row in rows_of(TEXT)]


def test_columns_in_another_order_and_optional_ones_left_out(tmp_path):
    turned = good.sheet([row[::-1] for row in good.CAPTURES])
    assert [r.values for r in rows_of(turned)] == [r.values for r in rows_of(TEXT)]
    short = rows_of(good.sheet([row[:7] for row in good.CAPTURES]))
    assert short[0].values["stylus_hours"] is None


def test_notes_keep_quotation_marks_and_line_ends(tmp_path):
    text = TEXT.replace("\tfirst\n", '\t"said ""good""\nand more"\n')
    rows = rows_of(text)
    assert rows[0].values["note"] == 'said "good"\nand more'
    assert rows[1].number == 3
    assert rows_of(TEXT.replace("\tfirst\n", '\t12" disc\n'))[0].values["note"] == '12" disc'


def test_comments_and_blank_rows_are_passed_over_but_counted():
    rows = rows_of("# my captures\n\n" + TEXT)
    assert [row.number for row in rows] == [4, 5, 6, 7, 8]


def test_letters_of_any_language_do_in_files_and_notes():
    rows = rows_of(TEXT.replace("one.flac", "Aufnahme süß 録音.flac").replace("first", "prvé ✓"))
    assert rows[0].values["file"] == "Aufnahme süß 録音.flac"
    assert rows[0].values["note"] == "prvé ✓"


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be", "utf-32"])
def test_wide_encodings_are_told(encoding, tmp_path):
    rows, faults = read(TEXT.encode(encoding), tmp_path)
    assert rows is None
    assert "UTF-16" in faults[0].problem
    assert "UTF-8" in faults[0].remedy


def test_a_windows_character_set_is_told_with_its_line(tmp_path):
    rows, faults = read(TEXT.replace("first", "süß").encode("cp1252"), tmp_path)
    assert rows is None
    assert faults[0].place == "line 2"
    assert "0xFC" in faults[0].problem


def test_numbers_are_plain_decimal_ones(tmp_path):
    for typed in ("nan", "inf", "1_000", "0x10", "1.000,5", "1 000", "٣"):
        _, faults = read(TEXT.replace("21.5", typed).encode(), tmp_path)
        assert len(faults) == 1, typed
    rows, faults = read(TEXT.replace("21.5", "+2.15e1").encode(), tmp_path)
    assert not faults
    assert rows[0].values["temperature_c"] == 21.5


def test_a_date_is_one_of_the_calendar(tmp_path):
    good_ones = ("2024-02-29", "2024-01-10T20:15", "2024-01-10 20:15:30", "2024-01-10T20:15Z")
    for typed in good_ones:
        assert read(TEXT.replace("2024-01-10", typed).encode(), tmp_path)[1] == [], typed
    for typed in ("2023-02-29", "20240110", "2024-1-10", "0024-01-10", "2024-01-10T25:00", "now"):
        assert len(read(TEXT.replace("2024-01-10", typed).encode(), tmp_path)[1]) == 1, typed


def test_a_folder_and_a_missing_file_are_told(tmp_path):
    faults = Faults()
    assert read_sheet(tmp_path, "sheet", "captures", faults) is None
    assert read_sheet(tmp_path / "no.tsv", "no.tsv", "captures", faults) is None
    assert [fault.problem for fault in faults.in_order()] == ["is a folder", "is not there"]


@settings(max_examples=100, deadline=None)
@given(st.text(alphabet=st.sampled_from('ab1.,-"\t\n\r\0 #ü'), max_size=200) | st.text())
def test_no_text_does_more_than_raise_faults(text):
    for start in ("", good.sheet(good.CAPTURES[:1]), good.sheet(good.CAPTURES[:2]).rstrip("\n")):
        faults = Faults()
        rows = parse_sheet(start + text, "sheet.tsv", "captures", faults)
        assert rows is not None or faults


@settings(max_examples=50, deadline=None)
@given(st.binary(max_size=300))
def test_no_bytes_do_more_than_raise_faults(tmp_path_factory, content):
    rows, faults = read(content, tmp_path_factory.getbasetemp(), "calibration")
    assert rows is not None or faults
