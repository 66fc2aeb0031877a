"""Headings are read in the code page they were written in where their letters show it, else in the Western one."""

import subprocess
import sys

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gpubench_kit.logs import code_pages, log_bytes
from gpubench_kit.logs.code_pages import (
    code_page_of,
    is_central_european,
    is_cyrillic,
    is_east_asian,
    is_greek,
    is_western,
)
from gpubench_kit.logs.log_bytes import read_log_bytes
from gpubench_kit.logs.text_table import open_table, read_columns, read_regular
from gpubench_kit.metrics.inspect_log import inspect_log
from gpubench_kit.model.errors import LogError

FRAMES = [round(16.7 + 0.125 * (k % 5), 3) for k in range(60)]
TIMES = [round(sum(FRAMES[:k]) / 1000, 6) for k in range(1, 61)]

RUSSIAN = ["Время, с", "Время кадра, мс", "Мощность, Вт", "Температура, °C", "Частота ядра, МГц"]
JAPANESE = ["時間 (s)", "フレーム時間 (ms)", "消費電力 (W)", "GPU温度 (C)", "ポンプ回転数"]
CHINESE = ["时间 (s)", "帧时间 (ms)", "功耗 (W)", "温度 (C)", "核心频率"]
KOREAN = ["시간 (s)", "프레임 시간 (ms)", "전력 (W)", "온도 (C)", "코어 클럭"]

#: Code page of a log -> what it is read as, and headings: time, frame time, power, temperature, clock.
FOREIGN = {
    "cp1251": ("cp1251", RUSSIAN),
    "koi8_r": ("koi8_r", RUSSIAN),
    "cp866": ("cp866", [one.replace("°", "") for one in RUSSIAN]),
    "cp1253": ("cp1253", ["Χρόνος (s)", "Χρόνος καρέ (ms)", "Ισχύς (W)", "Θερμοκρασία (°C)", "Συχνότητα"]),
    "cp1250": ("cp1250", ["Czas [s]", "Czas klatki [ms]", "Moc układu [W]", "Wiatrak: prędkość", "Częstotliwość"]),
    "cp1254": ("cp1254", ["Süre (s)", "Kare süresi (ms)", "Güç (W)", "Sıcaklık (°C)", "İşlemci hızı"]),
    "cp932": ("cp932", JAPANESE),
    "shift_jis": ("cp932", JAPANESE),
    "euc_jp": ("euc_jp", JAPANESE),
    "gbk": ("gbk", CHINESE),
    "gb18030": ("gbk", CHINESE),
    "big5": ("big5", ["時間 (s)", "畫面時間 (ms)", "功耗 (W)", "溫度 (C)", "核心時脈"]),
    "cp949": ("cp949", KOREAN),
    "euc_kr": ("cp949", KOREAN),
}

#: Other headings of the same sort, each short, written small or of another language.
ALSO_FOUND = [
    ("cp1250", "Čas;Doba snímku;Příkon;Teplota;Zatížení;Otáčky"),
    ("cp1250", "Idő;Képkocka idő;Teljesítmény;Hőmérséklet;Órajel"),
    ("cp1250", "Timp;Durată cadru;Putere;Frecvenţă;Încărcare"),
    ("cp1251", "время;кадр, мс;мощность;температура"),
    ("koi8_r", "время;кадр, мс;мощность;температура"),
    ("cp1251", "Време;Кадър (ms);Мощност;Честота"),
    ("cp1251", "Час;Час кадру, мс;Потужність, Вт"),
    ("cp1251", "ВРЕМЯ;КАДР, МС;МОЩНОСТЬ;ТЕМПЕРАТУРА"),
    ("koi8_r", "ВРЕМЯ;КАДР, МС;МОЩНОСТЬ;ТЕМПЕРАТУРА"),
    ("cp866", "Время,Кадр"),
    ("cp1253", "χρόνος,ισχύς"),
    ("gbk", "时间,功耗"),
    ("cp949", "시간,전력"),
    ("big5", "時間,功耗"),
]

WESTERN = {
    "degree sign": "Tempo;Frame;Temperatura °C",
    "degree sign inside a word": "time;frame;GPU°C",
    "micro sign": "time;frame µs;power",
    "superscript": "time;frame;m/s²;cm³",
    "German": "Zeit;Bilddauer (ms);Lüfter U/min;Größe;Höchsttemperatur °C",
    "French": "Temps;Durée d’image (ms);Fréquence;Préféré;Écart;Août",
    "Spanish": "Tiempo;Duración;Año;Frecuencia máxima;¿Pausa?",
    "Portuguese": "Tempo;Duração;Potência;Frequência;Limitações",
    "Swedish": "Tid;Bildtid;Fläkt;Ström på kort;Låg",
    "Icelandic": "Tími;Hiti;Þéttni;Tíðni;hraði",
    "two languages": "Länge;Fréquence;Mètre",
}


def _log(headings, separator=";"):
    """Return a log of 60 rows: time, frame time and three readings."""
    rows = [separator.join([str(t), str(f), "120.5", "61", "2400"]) for t, f in zip(TIMES, FRAMES, strict=True)]
    return "\n".join([separator.join(headings), *rows]) + "\n"


def _opened(tmp_path, content):
    """Return a log with this content, opened."""
    path = tmp_path / "run.csv"
    path.write_bytes(content)
    return open_table(path)


def _assert_is_the_log(table):
    """Check that time and frame time have exactly the values written."""
    read = read_columns(table, [0, 1])
    assert read.numbers[0].tolist() == TIMES
    assert read.numbers[1].tolist() == FRAMES


def _checks(table):
    """Return the names of what was noticed."""
    return [finding.check for finding in table.findings]


@pytest.mark.parametrize("separator", [";", ",", "\t", "|"], ids=repr)
@pytest.mark.parametrize("written", FOREIGN)
def test_headings_are_read_as_they_were_written(tmp_path, written, separator):
    encoding, headings = FOREIGN[written]
    headings = [one.replace(",", "") for one in headings]
    table = _opened(tmp_path, _log(headings, separator).encode(written))
    assert table.encoding == encoding
    assert list(table.dialect.names) == headings
    assert _checks(table) == ["encoding_guessed"]
    _assert_is_the_log(table)
    assert read_regular(table, [0, 1]) is not None


@pytest.mark.parametrize(("encoding", "headings"), ALSO_FOUND)
def test_few_words_are_enough(encoding, headings):
    assert code_page_of(headings.encode(encoding) + b"\n1;2\n").encoding == encoding


#: Code pages that are not looked for, or too few letters to tell.
UNTOLD = [
    ("cp1255", "זמן;זמן פריים;הספק;טמפרטורה"),
    ("cp1256", "الوقت;زمن الإطار;الطاقة"),
    ("cp874", "เวลา;เวลาเฟรม;กำลังไฟ"),
    ("cp1257", "Laiks;Kadra laiks;Temperatūra;Ātrums"),
    ("cp850", "Zeit;Lüfter;Größe;Wärme"),
    ("mac_roman", "Zeit;Lüfter;Größe;Wärme"),
    ("iso8859_5", "Время;Кадр;Мощность;Температура"),
    ("cp1251", "Вт;мс"),
    ("cp1250", "Napięcie"),
    ("gbk", "时间"),
]


@pytest.mark.parametrize(("encoding", "headings"), UNTOLD)
def test_what_letters_do_not_tell_stays_western(encoding, headings):
    assert code_page_of(headings.encode(encoding) + b"\n1;2\n") is None


@pytest.mark.parametrize("headings", WESTERN.values(), ids=WESTERN.keys())
def test_western_headings_stay_western(tmp_path, headings):
    names = headings.split(";")
    rows = "".join(f"{t};{f}" + ";7" * (len(names) - 2) + "\n" for t, f in zip(TIMES, FRAMES, strict=True))
    table = _opened(tmp_path, f"{headings}\n{rows}".encode("cp1252"))
    assert (table.encoding, list(table.dialect.names), _checks(table)) == ("cp1252", names, [])
    _assert_is_the_log(table)


def test_units_below_the_headings_stay_western(tmp_path):
    content = _log(["time", "frame", "power", "core", "clock"]).replace("\n", "\nµs;ms;W;°C;MHz\n", 1)
    table = _opened(tmp_path, content.encode("cp1252"))
    assert (table.encoding, table.dialect.units) == ("cp1252", ("µs", "ms", "W", "°C", "MHz"))


def test_a_second_byte_that_looks_like_a_separator_is_none(tmp_path):
    content = _log(JAPANESE, "|").encode("cp932")
    heading = content.split(b"\n")[0]
    assert (heading.count(b"|"), "|".join(JAPANESE).count("|")) == (5, 4)
    table = _opened(tmp_path, content)
    assert table.dialect.n_columns == 5
    assert table.dialect.names[4] == "ポンプ回転数"


def test_words_above_the_headings_tell_too(tmp_path):
    preamble = "Стенд: лаборатория\nВидеокарта; серая\n\n"
    table = _opened(tmp_path, (preamble + _log(["time_s", "frame_ms", "w", "c", "mhz"])).encode("cp1251"))
    assert table.encoding == "cp1251"
    _assert_is_the_log(table)


def test_words_in_the_rows_tell_where_no_others_do(tmp_path):
    rows = "".join(f"{time};{frame};Гавань\n" for time, frame in zip(TIMES, FRAMES, strict=True))
    content = f"time_s;frame_ms;scene\n{rows}"
    table = _opened(tmp_path, content.encode("koi8_r"))
    assert table.encoding == "koi8_r"


def test_a_damaged_row_does_not_hide_the_headings(tmp_path):
    rows = _log(FOREIGN["cp1251"][1], "\t").encode("cp1251")
    table = _opened(tmp_path, rows.replace(b"120.5", b"12\xd0.5", 1))
    assert table.encoding == "cp1251"


def test_rows_in_another_code_page_leave_the_whole_log_western(tmp_path):
    content = _log(CHINESE).encode("gbk").replace(b"120.5", b"\xff", 1)
    table = _opened(tmp_path, content)
    assert (table.encoding, _checks(table)) == ("cp1252", [])
    _assert_is_the_log(table)


def test_a_character_cut_off_at_the_end_goes_with_its_line(tmp_path):
    table = _opened(tmp_path, _log(CHINESE).encode("gbk") + "1.2;时".encode("gbk")[:-1])
    assert (table.encoding, _checks(table)) == ("gbk", ["encoding_guessed", "cut_last_line"])


@pytest.mark.parametrize("headings", [";".join(headings) for _, headings in FOREIGN.values()])
def test_utf_8_with_a_damaged_byte_is_no_other_code_page(tmp_path, headings):
    table = _opened(tmp_path, _log(headings.split(";")).encode().replace(b"2400", b"24\xff0", 1))
    assert table.encoding in ("cp1252", "latin-1")
    assert _checks(table) == []
    _assert_is_the_log(table)


def test_characters_are_whole_wherever_blocks_end(tmp_path, monkeypatch):
    content = _log(JAPANESE).encode("cp932")
    whole = _opened(tmp_path, content).text
    for size in (1, 2, 3, 7):
        monkeypatch.setattr(log_bytes, "_BLOCK", size)
        assert _opened(tmp_path, content).text == whole


def test_the_guess_is_told_by_inspect(tmp_path):
    path = tmp_path / "run.csv"
    path.write_bytes(_log(RUSSIAN).encode("cp1251"))
    told = inspect_log(path)
    (note,) = [one for one in told["findings"] if one["check"] == "encoding_guessed"]
    assert "Cyrillic (windows-1251), which is a guess" in note["message"]
    assert told["n_frames"] == 60


def test_headings_of_random_bytes_are_western(tmp_path):
    rng = np.random.default_rng(3)
    for _ in range(100):
        high = [bytes(rng.integers(0x80, 0x100, 12, dtype=np.uint8)) for _ in range(5)]
        table = _opened(tmp_path, b";".join(high) + b"\n" + _log(["x"] * 5).encode().split(b"\n", 1)[1])
        assert table.encoding in ("cp1252", "latin-1")
        _assert_is_the_log(table)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.lists(st.binary(min_size=1, max_size=30), min_size=5, max_size=5))
def test_no_heading_changes_a_value(tmp_path, headings):
    unwanted = bytes(range(0x20)) + b'",;|#%!/\x7f'
    line = b";".join(b"ms " + one.translate(None, unwanted) for one in headings)
    _assert_is_the_log(_opened(tmp_path, line + b"\n" + _log(["x"] * 5).encode().split(b"\n", 1)[1]))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.text(st.characters(codec="ascii", exclude_characters="\0"), min_size=1))
def test_an_ascii_log_is_never_changed(tmp_path, text):
    path = tmp_path / "run.csv"
    path.write_bytes(content := text.encode().replace(b"\r", b"") + b"\n")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(log_bytes, "code_page_of", None)
        read = read_log_bytes(path)
    assert (read.encoding, read.text, read.findings) == ("ascii", content, ())


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.binary(min_size=1, max_size=400))
def test_any_bytes_are_read_or_refused(tmp_path, content):
    try:
        table = _opened(tmp_path, content)
    except LogError:
        return
    assert table.text.decode("utf-8") is not None


def test_ordinary_logs_are_read_without_the_library(tmp_path):
    contents = [_log(["t", "f", "w", "c", "m"]).encode(), _log(RUSSIAN).encode(), _log(["°C"] * 5).encode("cp1252")]
    for number, content in enumerate(contents):
        (tmp_path / f"{number}.csv").write_bytes(content)
    code = (
        "import sys\nfrom pathlib import Path\nfrom gpubench_kit.logs.text_table import open_table\n"
        "for path in sorted(Path(sys.argv[1]).iterdir()):\n    open_table(path)\n"
        "print('charset_normalizer.api' in sys.modules)"
    )
    command = [sys.executable, "-c", code, str(tmp_path)]
    assert subprocess.run(command, capture_output=True, text=True, check=True, timeout=60).stdout == "False\n"
    (tmp_path / "9.csv").write_bytes(_log(RUSSIAN).encode("cp1251"))
    assert subprocess.run(command, capture_output=True, text=True, check=True, timeout=60).stdout == "True\n"


def test_the_beginning_of_a_long_log_is_looked_at(monkeypatch):
    content = "".join(f"Температура видеокарты, номер {k}\n" for k in range(50_000)).encode("cp1251")
    looked_at, judge = [], code_pages._code_page_of_head
    monkeypatch.setattr(code_pages, "_code_page_of_head", lambda lines: looked_at.append(lines) or judge(lines))
    assert code_page_of(content).encoding == "cp1251"
    assert 0.9 * code_pages._HEAD < len(looked_at[0]) <= code_pages._HEAD


def test_headings_of_hundreds_of_sensors_are_found(tmp_path):
    headings = [f"{RUSSIAN[k % 5]} ({k})" for k in range(400)]
    rows = "\n".join("\t".join([str(time), *["16.7"] * 399]) for time in TIMES)
    table = _opened(tmp_path, ("\t".join(headings) + "\n" + rows + "\n").encode("cp1251"))
    assert list(table.dialect.names) == headings


def test_a_wrong_code_page_gives_itself_away():
    assert is_cyrillic("Время кадра, мс")
    assert not is_cyrillic("чТЕНС")  # capitals inside
    assert not is_cyrillic("Чсьнпт")  # no vowel
    assert not is_cyrillic("Grцяe")  # two scripts in one word
    assert not is_cyrillic("мс")  # too little
    assert is_greek("Χρόνος καρέ")
    assert not is_greek("Время")
    assert not is_greek("ςεντο")  # a final sigma that is not final
    assert is_central_european("Částečně")
    assert not is_central_european("Durée")  # one letter alone
    assert not is_western("Moc uk³adu")  # a sign for a letter
    assert not is_western("Âðåìÿ êàäðà")  # letters of no one language
    assert is_east_asian("时间,功耗", "gbk")
    assert not is_east_asian("癈", "gbk")  # what a degree sign before a C turns into
    assert not is_east_asian("a时b间c功d耗", "gbk")  # each alone, as umlauts are
