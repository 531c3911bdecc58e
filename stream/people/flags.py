"""Yes and no as people write them; what cannot be read is told apart from both."""

from __future__ import annotations

from stream.people.columns import folded

_YES = """yes y true t 1 x xx ✓ ✔ ☑ on ja j jawohl oui o si sì sí s sim da д да tak ano a igen evet
e kyllä k jah taip jā po nai ναι はい 是 对 예 네 כן نعم так"""
_NO = """no n false f 0 - – — ☐ off none nein non nao não ne nie nem nu nej nei nee ei hayır όχι
いいえ 否 不 아니요 לא لا нет н ні ikke ingen kein"""
YES, NO = (frozenset(folded(w) for w in words.split()) for words in (_YES, _NO))


def read_flag(text: str) -> bool | None:
    """True for yes, False for no; None where it is neither."""
    plain = folded(text).strip(" .!()[]\"'") or folded(text)
    if plain in YES:
        return True
    return False if plain in NO else None
