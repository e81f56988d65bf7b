"""An OpenID Connect provider on loopback, as honest or as wrong as a test wants it."""

from __future__ import annotations

import base64
import hashlib
import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

from joserfc import jwt
from joserfc.jwk import RSAKey

CLIENT, SECRET = "turnbell", "between us"


class Provider:
    """``claims`` may be changed before a sign-on; ``forge`` gets the claims and gives the ID token."""

    def __init__(self, address: str) -> None:
        self.issuer = address
        self.key = RSAKey.generate_key(2048, {"kid": "one"}, private=True)
        self.claims: dict[str, Any] = {
            "sub": "mina-1",
            "email": "Mina@larkfield.example",
            "name": "Mina Oakes",
        }
        self.forge: Callable[[dict[str, Any]], str] = self.signed
        self.now = 0
        self._asked: dict[str, dict[str, str]] = {}

    def signed(self, claims: dict[str, Any]) -> str:
        return jwt.encode({"alg": "RS256", "kid": "one"}, claims, self.key)

    def allow(self, address: str) -> dict[str, str]:
        """What the browser brings back after the person agreed at ``address``."""
        parts = urlsplit(address)
        asked = {name: values[0] for name, values in parse_qs(parts.query).items()}
        assert address.startswith(f"{self.issuer}/authorize?")
        assert (asked["client_id"], asked["response_type"]) == (CLIENT, "code")
        assert asked["code_challenge_method"] == "S256"
        self._asked["code-1"] = asked
        return {"code": "code-1", "state": asked["state"]}

    def exchange(self, form: dict[str, str], authorization: str) -> dict[str, Any] | None:
        asked = self._asked.pop(form.get("code", ""), None)
        basic = "Basic " + base64.b64encode(f"{CLIENT}:{SECRET}".encode()).decode()
        challenge = base64.urlsafe_b64encode(hashlib.sha256(form.get("code_verifier", "").encode()).digest())
        if (
            asked is None
            or authorization != basic
            or challenge.rstrip(b"=").decode() != asked["code_challenge"]
        ):
            return None
        claims = {
            "iss": self.issuer, "aud": CLIENT, "exp": self.now + 300, "iat": self.now, "nonce": asked["nonce"], **self.claims,
        }  # fmt: skip
        return {
            "access_token": "x",
            "token_type": "Bearer",
            "expires_in": 300,
            "id_token": self.forge(claims),
        }

    def document(self, path: str) -> dict[str, Any] | None:
        if path == "/.well-known/openid-configuration":
            return {
                "issuer": self.issuer,
                "authorization_endpoint": f"{self.issuer}/authorize",
                "token_endpoint": f"{self.issuer}/token",
                "jwks_uri": f"{self.issuer}/keys",
            }
        return {"keys": [self.key.as_dict(private=False)]} if path == "/keys" else None


@contextmanager
def running_provider() -> Iterator[Provider]:
    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self._answer(provider.document(self.path))

        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers.get("Content-Length") or 0)).decode()
            form = {name: values[0] for name, values in parse_qs(body).items()}
            self._answer(provider.exchange(form, self.headers.get("Authorization", "")))

        def _answer(self, found: dict[str, Any] | None) -> None:
            body = json.dumps(found or {"error": "invalid_grant"}).encode()
            self.send_response(200 if found else 400)
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    provider = Provider(f"http://127.0.0.1:{server.server_port}")
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
    thread.start()
    try:
        yield provider
    finally:
        server.shutdown()
        server.server_close()
        thread.join(30)
