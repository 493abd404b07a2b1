"""The token in a letter's Message-ID, by which an answer shows that it answers this letter.

It is an HMAC-SHA-256 (RFC 2104, FIPS 180-4) over the letter and the address that it went to: nobody can make one for a letter
that he did not get.
"""

from __future__ import annotations

import hashlib
import hmac

_SIGNS = 24
"""Signs of a token: 96 bits, which nobody guesses at twenty tries an hour."""


class Tokens:
    """Makes and knows the tokens of one installation."""

    def __init__(self, key: bytes) -> None:
        self._key = key

    def message_id(self, message: str, recipient: str) -> str:
        """Return the left side of a letter's Message-ID with its token."""
        return f"{message}.{self.token(message, recipient)}"

    def token(self, message: str, recipient: str) -> str:
        """Return the token of a letter to one address."""
        said = f"{message}\n{recipient.casefold()}".encode()
        return hmac.new(self._key, said, hashlib.sha256).hexdigest()[:_SIGNS]
