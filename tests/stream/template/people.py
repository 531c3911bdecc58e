"""Names of nobody, from made-up syllables in several scripts."""

from __future__ import annotations

import random

_LATIN = (
    "ka rø ží ñe ưở ğü łą çe ßin mö ttel ãn ěk ŵy ǫ thå ệp vra ī ș ő ķe æl ðu þor nj lle hen ro bri"
)
_SCRIPTS = {
    "latin": _LATIN,
    "greek": "κα ρό θη ψί ξέ νου λαϊ γγέ ώτ φρά ζω χή ΐπ άς",
    "cyrillic": "ка жу щё рий юл їв ђор љу ћи ѓе ўс ѕа бро ґа ъе мль",
    "hebrew": "קא רו שׁי תִּ מע צל גם נף לה פֶּר דוי סט",
    "arabic": "كا رو شي لا مع صل غم نف له ةب دؤي سطّ ئا ـه پي گل",
    "han": "永 和 林 岚 澄 渡 邊 髙 﨑 龘 𠮷",
    "kana": "カ ミ シャ ロー ひ の さっ ぽ",
    "hangul": "가 람 솔 훈 뷁 은",
}
SCRIPTS = tuple(_SCRIPTS)


def _word(rng: random.Random, script: str) -> str:
    short = script in ("han", "kana", "hangul")
    parts = _SCRIPTS[script].split()
    word = "".join(rng.choice(parts) for _ in range(rng.randint(1, 2 if short else 5)))
    return word.capitalize() if script in ("latin", "greek", "cyrillic") else word


def names(count: int, seed: int, scripts: tuple[str, ...] = SCRIPTS) -> list[str]:
    """So many names; one in ten is long, one in ten mixes two scripts."""
    rng = random.Random(seed)
    out = []
    for _ in range(count):
        script = rng.choice(scripts)
        words = [_word(rng, script) for _ in range(rng.choice((1, 2, 2, 2, 3)))]
        if rng.random() < 0.1:
            words += [_word(rng, script) for _ in range(rng.randint(3, 9))]
        if rng.random() < 0.1:
            words.append(_word(rng, rng.choice(scripts)))
        if rng.random() < 0.2 and len(words) > 1:
            words[-2:] = ["-".join(words[-2:])]
        if rng.random() < 0.05:
            words.append(f"({rng.randint(1, 99)})")
        out.append(" ".join(words))
    return out
