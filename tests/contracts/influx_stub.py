"""A loopback server that speaks as much of InfluxDB 2's HTTP as the adapter uses. It is no InfluxDB: it knows the one
Flux question that the adapter asks, and answers in annotated CSV as the published description of that format has it
(docs.influxdata.com, InfluxDB v2, "Annotated CSV"). No InfluxDB 2 server could be installed where these tests were
written; ``test_readings_influx_live.py`` runs the same suite against a real one."""

from __future__ import annotations

import json
import re
import threading
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

from shared.times import Millis, iso, parse_time

TOKEN = "made-up"
Tags = tuple[tuple[str, str], ...]
_LINE = re.compile(r"((?:[^ \\]|\\.)+) ((?:[^ \\]|\\.)+) (-?\d+)")
_COMMA = re.compile(r"(?<!\\),")
_EQUALS = re.compile(r"(?<!\\)=")
_QUESTION = re.compile(
    r'from\(bucket: "(?P<bucket>[^"]+)"\)\n'
    r"  \|> range\(start: (?P<start>\S+), stop: (?P<stop>\S+)\)\n"
    r"  \|> filter\(fn: \(r\) => (?P<filters>.+)\)\n"
    r'  \|> pivot\(rowKey: \["_time"\], columnKey: \["_field"\], valueColumn: "_value"\)'
)


class InfluxStub:
    def __init__(self) -> None:
        self.points: dict[tuple[str, Tags], dict[int, dict[str, str]]] = defaultdict(dict)
        self.lock = threading.Lock()
        self.questions: list[str] = []
        self.answer: str | None = None  # a recorded one, in place of what would be worked out
        self.refuse: tuple[int, str] | None = None
        stub = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"
            disable_nagle_algorithm = True  # else every answer waits 40 ms between head and body

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length", "0")))
                status, text = stub.post(self.path, self.headers.get("Authorization", ""), body.decode())
                raw = text.encode()
                self.send_response(status)
                self.send_header("Content-Length", str(len(raw)))
                self.end_headers()
                self.wfile.write(raw)

            def log_message(self, *args: Any) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.address = f"influxdb://127.0.0.1:{self.server.server_address[1]}/yard/heat"

    def post(self, path: str, authorization: str, body: str) -> tuple[int, str]:
        if self.refuse is not None:
            return self.refuse
        if authorization != f"Token {TOKEN}":
            return 401, '{"code":"unauthorized","message":"unauthorized access"}'
        asked = urlsplit(path)
        if asked.path.endswith("/write"):
            return self._write(parse_qs(asked.query), body)
        with self.lock:
            self.questions.append(body)
            return 200, self.answer if self.answer is not None else self._query(_flux_of(body))

    def _write(self, asked: dict[str, list[str]], body: str) -> tuple[int, str]:
        assert (asked["org"], asked["bucket"], asked["precision"]) == (["yard"], ["heat"], ["ms"])
        with self.lock:
            for line in body.split("\n"):
                found = _LINE.fullmatch(line)
                assert found is not None, line
                name, *tags = _COMMA.split(found[1])
                key = (_plain(name), tuple(sorted((_plain(k), _plain(v)) for k, v in map(_pair, tags))))
                fields = dict(map(_pair, _COMMA.split(found[2])))
                self.points[key].setdefault(int(found[3]), {}).update(fields)
        return 204, ""

    def _query(self, flux: str) -> str:
        found = _QUESTION.fullmatch(flux)
        assert found is not None, flux
        start, stop = parse_time(found["start"]), parse_time(found["stop"])
        wanted = _condition(found["filters"])
        text = ""
        for table, ((name, tags), points) in enumerate(self.points.items()):
            labels = dict(tags)
            if not wanted({"_measurement": name, "_field": "value", **labels}):
                continue
            rows = [
                f",,{table},{found['start']},{found['stop']},{iso(Millis(at))},{name},{','.join(labels.values())},"
                f"{fields['mark'].removesuffix('i')},{fields['value']}"
                for at, fields in sorted(points.items())
                if start <= at < stop
            ]
            if rows:
                kinds = ",string" * (len(labels) + 1)
                text += f"#datatype,string,long,dateTime:RFC3339,dateTime:RFC3339,dateTime:RFC3339{kinds},long,double\r\n"
                text += f"#group,false,false,true,true,false{',true' * (len(labels) + 1)},false,false\r\n"
                text += f"#default,_result,,,,,{',' * len(labels)},,\r\n"
                text += f",result,table,_start,_stop,_time,_measurement,{','.join(labels)},mark,value\r\n"
                text += "\r\n".join(rows) + "\r\n\r\n"
        return text


def _condition(flux: str) -> Callable[[dict[str, str]], bool]:
    """Comparisons with and, or and parentheses mean in Flux what they mean in Python."""
    words = re.findall(r'not exists r\.\w+|r\.\w+ == "(?:[^"\\]|\\.)*"|and|or|[()]|\S', flux)
    terms = []
    for word in words:
        if found := re.fullmatch(r"not exists r\.(\w+)", word):
            terms.append(f"({found[1]!r} not in labels)")
        elif found := re.fullmatch(r'r\.(\w+) == (".*")', word):
            terms.append(f"(labels.get({found[1]!r}) == {json.loads(found[2])!r})")
        else:
            assert word in {"and", "or", "(", ")"}, flux
            terms.append(word)
    code = compile(" ".join(terms), "flux", "eval")
    return lambda labels: bool(eval(code, {}, {"labels": labels}))  # noqa: S307  # made of the terms above alone


def _flux_of(body: str) -> str:
    query: str = json.loads(body)["query"]
    return query


def _pair(text: str) -> tuple[str, str]:
    name, value = _EQUALS.split(text, maxsplit=1)
    return name, value


def _plain(text: str) -> str:
    return re.sub(r"\\(.)", r"\1", text)


@contextmanager
def stub() -> Iterator[InfluxStub]:
    made = InfluxStub()
    thread = threading.Thread(target=made.server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield made
    finally:
        made.server.shutdown()
        made.server.server_close()
        thread.join(60)
