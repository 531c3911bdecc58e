"""Rosters of invented people in many languages, and the files that programs make of them."""

from __future__ import annotations

import io
import random
from collections.abc import Mapping, Sequence
from typing import Any

import openpyxl

# Given names, family names, groups; nobody of that name is meant.
WEST = (
    "Maël Françoise Björk Anaïs Hervé Göran Mônica Núria Aurélie Käthe Íris Søs Jon Ada Bryn",
    "Grötzing Fåglund Peñasol Lagüera Château-Vern Brændholt Conceição Weißdorn Ostmark Reed",
    "Möwen Loutres Terns",
)
EAST = (
    "Bożena Květa Őzike Zdeněk Mieczysław Růžena Györgyi Ľubica Ján Ewa Věra Ivan",
    "Źródłowski Příbojný Szűcsné Háječek Wężyk Šťastný Kórnik Rybář Molnár Čolić",
    "Ważki Žáby Hal",
)
NAMES: dict[str, tuple[str, str, str]] = {
    "cp1252": WEST,
    "mac_roman": WEST,
    "cp850": WEST,
    "iso8859_15": WEST,
    "cp1250": EAST,
    "iso8859_2": EAST,
    "cp1251": ("Борис Галя Илья Эмма Раиса Фёдор", "Камышов Лугина Чайкин Щербов Юртаев", "Чайки"),
    "koi8_r": ("Борис Галя Илья Эмма Раиса Фёдор", "Камышов Лугина Чайкин Щербов Юртаев", "Чайки"),
    "cp1253": ("Θέκλα Ύδρα Ορέστης Άλκης Ηρώ", "Βαρκάρης Γλάρου Ήλιος Πλατάνης Κυματά", "Γλάροι"),
    "cp1254": ("Gülşen Yiğit Çiğdem İdil Barış", "Sazlık Göltürk Ördekçi Şahinci Kıyı", "Turnalar"),
    "cp1255": ("תמר אורי גלית נתן", "אגמון סוף דגן שפירית", "שלדגים"),
    "cp1256": ("سلمى كريم هدى ياسر", "المرجاني الساحلي القارب", "النوارس"),
    "cp1257": ("Jānis Rūta Õnne Žygimantas Eglė", "Ūsiņš Gandrys Kuldõie Šķēle Ąsotis", "Gulbji"),
    "cp932": ("翼 あおい 健 ユイ", "水辺 葦原 船越 秋津", "三組"),
    "gb18030": ("建国 雨晴 思远 小燕", "苇塘 渡口 晚灯", "三班"),
    "big5": ("建國 雨晴 思遠 小燕", "葦塘 渡口 晚燈", "三班"),
    "cp949": ("지우 하람 민서 나래", "갈대 나루 물결", "두루미"),
}


def people(encoding: str, count: int, chance: random.Random) -> list[tuple[str, str, str]]:
    """Number, name and group of so many people, whose letters an encoding has."""
    first, last, group = (words.split() for words in NAMES[encoding])
    return [
        (str(101 + i), f"{chance.choice(first)} {chance.choice(last)}", chance.choice(group))
        for i in range(count)
    ]


def as_text(rows: Sequence[Sequence[str]], delimiter: str = ",") -> str:
    """Lines below a header."""
    return "\n".join(delimiter.join(r) for r in [("number", "name", "group"), *rows]) + "\n"


def as_workbook(sheets: Mapping[str, Sequence[Sequence[Any]]]) -> bytes:
    """An XLSX file with these sheets."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(list(row))
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()
