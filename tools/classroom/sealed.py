"""Keeps an answer from being read by accident: sealed with a word that the teacher chooses.

scrypt (RFC 7914) makes keys of the word, SHAKE-256 (FIPS 202) a stream that hides the text, and
HMAC-SHA-256 (RFC 2104) tells a wrong word or a damaged file. That is sound against a glance and no
security: a word can be guessed, and what the simulator must know stands under a word of its own.
"""

import base64
import binascii
import hashlib
import hmac
import json
import secrets
from typing import Any

FIRST_LINE = "breathmap sealed 1"
SALT_BYTES, TAG_BYTES = 16, 32
# 16 MB and some 50 ms a word: enough to make guessing dull, little enough for a class of thirty.
COST, BLOCK, LANES = 2**14, 8, 1
LINE = 76


class SealError(ValueError):
    """It is not what `seal` made, or not with this word."""


def seal(values: dict[str, Any], word: str) -> str:
    """Return values (plain JSON) as text that only the word opens."""
    salt = secrets.token_bytes(SALT_BYTES)
    plain = json.dumps(values, ensure_ascii=False).encode()
    stream, check = _keys(word, salt)
    hidden = _crossed(plain, stream)
    tag = hmac.digest(check, salt + hidden, "sha256")
    text = base64.b64encode(salt + tag + hidden).decode()
    lines = [text[at : at + LINE] for at in range(0, len(text), LINE)]
    return "\n".join([FIRST_LINE, *lines]) + "\n"


def unseal(text: str, word: str) -> dict[str, Any]:
    """Return what was sealed; SealError where the word is another, or the text is damaged."""
    first, _, body = text.partition("\n")
    if first.strip() != FIRST_LINE:
        raise SealError("it is no sealed file of this version")
    try:
        data = base64.b64decode("".join(body.split()), validate=True)
    except (binascii.Error, ValueError):
        raise SealError("it is damaged") from None
    salt, tag = data[:SALT_BYTES], data[SALT_BYTES : SALT_BYTES + TAG_BYTES]
    hidden = data[SALT_BYTES + TAG_BYTES :]
    if not hidden:
        raise SealError("it is cut short")
    stream, check = _keys(word, salt)
    if not hmac.compare_digest(tag, hmac.digest(check, salt + hidden, "sha256")):
        raise SealError("the word is another, or the file is damaged")
    found = json.loads(_crossed(hidden, stream))
    assert isinstance(found, dict)
    return found


def _keys(word: str, salt: bytes) -> tuple[bytes, bytes]:
    both = hashlib.scrypt(word.encode(), salt=salt, n=COST, r=BLOCK, p=LANES, dklen=64)
    return both[:32], both[32:]


def _crossed(data: bytes, key: bytes) -> bytes:
    stream = hashlib.shake_256(key).digest(len(data))
    return bytes(a ^ b for a, b in zip(data, stream, strict=True))
