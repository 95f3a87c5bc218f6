"""An invented bus with known truth: sentences with the instant each reached the logger.

Shares nothing with the package. The heading counts tenths of a degree upwards by one a sample, so
the true time of a decoded heading can be told from its value alone.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np

START = datetime(2024, 6, 1, 10, 0, 0, tzinfo=UTC)


def sentence(body: str) -> bytes:
    """``body`` with its ``$``, checksum and line end; ``!`` stays for AIS."""
    total = 0
    inner = body[1:] if body[0] in "$!" else body
    for byte in inner.encode():
        total ^= byte
    lead = body[0] if body[0] in "$!" else "$"
    return f"{lead}{inner}*{total:02X}\r\n".encode()


def tag_block(body: str) -> str:
    """``body`` as a TAG block with its checksum."""
    total = 0
    for byte in body.encode():
        total ^= byte
    return f"\\{body}*{total:02X}\\"


def _position(seconds: float) -> str:
    lat = 59.30 + seconds * 1.5e-5
    lon = 18.10 + seconds * 2.0e-5
    return (f"{int(lat):02d}{(lat % 1) * 60:08.5f},N,{int(lon):03d}{(lon % 1) * 60:08.5f},E")


@dataclass
class Bus:
    """What arrives at a logger over a stretch of time.

    Attributes
    ----------
    start : datetime
    seconds : float
    gps_s, heading_s : float
        Steps of the fixes and of the heading.
    delay_s : float
        How long a fix takes to reach the logger.
    dated : bool
        Whether RMC (with the date) is sent, besides GGA.
    undated_s, void_s : float
        How long from the start there is no RMC, no fix.
    days_off : float
        Added to the receiver's date (week rollover).
    truncate_s : float
        Times are printed truncated to this step.
    silent : list of (float, float)
        Seconds from the start during which the logger was off.
    """

    start: datetime = START
    seconds: float = 600.0
    gps_s: float = 1.0
    heading_s: float = 0.1
    delay_s: float = 0.3
    dated: bool = True
    undated_s: float = 0.0
    void_s: float = 0.0
    days_off: float = 0.0
    truncate_s: float = 0.01
    seed: int = 1
    silent: list[tuple[float, float]] = field(default_factory=list)

    def arrivals(self) -> list[tuple[float, bytes]]:
        """(seconds since 1970 of arrival, sentence), in order."""
        rng = np.random.default_rng(self.seed)
        t0 = self.start.timestamp()
        out: list[tuple[float, bytes]] = []
        for k in range(round(self.seconds / self.gps_s)):
            since = k * self.gps_s
            at = t0 + since + self.delay_s + rng.uniform(0, 0.03)
            shown = self.start + timedelta(
                seconds=np.floor(since / self.truncate_s + 1e-6) * self.truncate_s,
                days=self.days_off)
            clock = shown.strftime("%H%M%S") + f".{shown.microsecond // 10000:02d}"
            void = since < self.void_s
            place = ",,," if void else _position(since)
            burst = [f"GPGGA,{clock},{place},{0 if void else 1},08,1.1,12.0,M,25.0,M,,"]
            burst += [f"GPGSV,3,{n},11,03,03,111,00,04,15,270,00,06,01,010,00,13,06,292,00"
                      for n in (1, 2, 3)]
            if self.dated and since >= self.undated_s:
                speed = "," if void else "6.1,45.0"
                burst.append(f"GPRMC,{clock},{'V' if void else 'A'},{place},{speed},"
                             f"{shown.strftime('%d%m%y')},6.5,E,{'N' if void else 'A'}")
            for n, body in enumerate(burst):
                out.append((at + 0.015 * n, sentence(body)))
        for k in range(round(self.seconds / self.heading_s)):
            at = t0 + k * self.heading_s + 0.02
            out.append((at, sentence(f"HCHDG,{k % 3600 / 10:.1f},,,6.5,E")))
        for k in range(round(self.seconds)):
            out.append((t0 + k + 0.55, sentence(f"IIVHW,,T,,M,{6 + rng.normal(0, 0.1):.2f},N,,K")))
            out.append((t0 + k + 0.62, sentence(f"WIMWV,{rng.uniform(30, 50):.1f},R,11.0,N,A")))
        out.sort(key=lambda pair: pair[0])
        return [(t, s) for t, s in out
                if not any(a <= t - t0 < b for a, b in self.silent)]

    def log(self) -> bytes:
        """The bytes of the log."""
        return b"".join(s for _, s in self.arrivals())

    def heading_times(self) -> np.ndarray:
        """True arrival of each recorded heading, seconds since 1970."""
        return np.array([t for t, s in self.arrivals() if s.startswith(b"$HCHDG")])

    def stamped(self, form: str, offset_s: float = 0.0, jitter_s: float = 0.0) -> bytes:
        """The log with the logger's receive time in front of every line.

        ``form``: ``iso``, ``iso-z``, ``epoch``, ``ms``, ``time``, ``comma``, ``tag``.
        """
        rng = np.random.default_rng(self.seed + 1)
        out = []
        for t, s in self.arrivals():
            t += offset_s + rng.uniform(0, jitter_s) if jitter_s else offset_s
            when = datetime.fromtimestamp(0, UTC) + timedelta(milliseconds=round(t * 1000))
            milli = f"{when.microsecond // 1000:03d}"
            out.append({
                "iso": f"{when:%Y-%m-%d %H:%M:%S}.{milli} ",
                "iso-z": f"{when:%Y-%m-%dT%H:%M:%S}.{milli}Z ",
                "comma": f"{when:%Y-%m-%d %H:%M:%S}.{milli},",
                "epoch": f"{round(t * 1000) / 1000:.3f} ",
                "ms": f"{round(t * 1000)};",
                "time": f"{when:%H:%M:%S}.{milli} ",
                "tag": tag_block(f"s:bus1,n:{len(out) % 1000},c:{round(t * 1000)}"),
            }[form].encode() + s)
        return b"".join(out)
