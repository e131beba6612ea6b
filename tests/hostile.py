"""Names that nobody should give, and people do: what leaves jogtune has to bear each on every surface."""

from __future__ import annotations

SHORT = {
    "math": "$x^2$", "math 2": "a$b$c $\\frac{1}{0}$", "bad math": "$\\nosuch{$ $", "one dollar": "5 $ axis", "escaped dollar": "\\$x\\$ $y$",
    "underscore": "_hidden", "underscores": "__init__", "child": "_child0", "caret": "^^top_1", "backslash": "back\\slash\\n",
    "backslash end": "end\\", "tag": "<script>alert(1)</script>", "entity": "&lt;b&gt; &amp; &", "quote": "\" onload=\"x", "apostrophe": "it's '' '",
    "comment html": "--><b>-->", "comment C": "*/ int x; /*", "comment C 2": "* / */*/ //", "trigraph": "??/??'?\"", "line C": "// \\",
    "equals": "=1+1", "equals link": "=HYPERLINK(\"http://x.example\";\"y\")", "equals 2": "'=1+1", "plus": "+1+cmd|' /C x'!A1", "plus number": "+1",
    "minus": "-2+3", "minus number": "-12", "at": "@SUM(A1:A9)", "tab": "\t=1+1", "return": "\r=1+1", "feed": "\n=1+1", "comma": "a,=1+1", "semicolon": "a;=1+1",
    "wide equals": "\uff1d1+1", "line feed": "two\nlines", "line return": "two\r\nlines", "fence": "```\n# head", "pipe": "a|b|c", "brackets": "[a](http://x.example)",
    "paren": "(N10 G00 Z-9)", "percent": "%s %(x)d {0} {x}", "braces": "{{7*7}}{% if %}", "space": "  a   b  ", "colour": "\x1b[31mred\x1b[0m",
    "clear": "\x1b[2J\x1b[H", "title": "\x1b]0;owned\x07", "C1": "\x9b31mred", "C1 OSC": "\x9d0;owned\x9c", "bell": "a\x07\x08b", "nul": "a\x00b", "delete": "a\x7fb",
    "override": "\u202egnp.\u202c", "isolate": "\u2067abc\u2069", "mark": "\u200fa\u200e", "zero width": "a\u200bb\u200d\ufeff", "line separator": "a\u2028b\u2029c",
    "no-break": "a\u00a0b\u2009c", "emoji": "🦊 Fuchs", "family": "👩\u200d👩\u200d👧\u200d👦", "flag": "🇨🇭🏳\ufe0f\u200d🌈", "skin": "👍🏽",
    "CJK": "铣床工作台", "CJK 2": "フライス盤テーブル送り", "Hangul": "밀링머신", "full width": "ＸＹＺ", "combining": "e\u0301e\u0301e\u0301", "Zalgo": "Z\u0335\u0353\u0300\u0301\u0302\u0315a\u0334\u0350",
    "Hebrew": "ציר איקס", "Arabic": "محور سين", "Devanagari": "अक्ष", "Greek": "άξονας µm ±°×→√", "German": "Fräse für Müßiggänger", "half pair": "a\udcffb", "half pair 2": "\ud83d",
    "private": "\ue000\uf8ff", "unassigned": "\u0378", "astral": "𝕏𝔜", "replacement": "\ufffd", "none": "None", "nan": "nan", "dots": "...",
}  # fmt: skip
LONG = {"long": "n" * 10_000, "long words": "word " * 2_000, "long CJK": "机" * 10_000, "long math": "$a_{" * 2_500, "long colour": "\x1b[31m" * 2_000}
HOSTILE = SHORT | LONG
