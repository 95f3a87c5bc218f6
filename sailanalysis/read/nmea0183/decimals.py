"""Decimal numbers straight from bytes, thousands at a time.

Up to eight characters fit one 64-bit word, so a handful of integer operations on arrays of words
converts a whole column: find the dot, close the hole it leaves, add up pairs, fours and eights of
digits. The quotient of two exact numbers is rounded once, so the result equals ``float(text)``.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Index = NDArray[np.int64]
Words = NDArray[np.uint64]
Floats = NDArray[np.float64]

MARGIN: Final = 16
"""Bytes that must stand in the buffer before the first field and after the last."""

BLOCK: Final = 1 << 14

_U = np.uint64
_ZEROS: Final = _U(0x3030303030303030)
_ONES: Final = _U(0x0101010101010101)
_TOPS: Final = _U(0x8080808080808080)
_SIX: Final = _U(0x7676767676767676)
_DOT: Final = _U(0x1E)
_POWERS: Final = 10.0 ** np.arange(17)
# Masks of the last L of eight characters (high bytes of a little-endian word), L from 0 to 8.
_LAST: Final = np.array([0] + [(1 << 64) - (1 << (64 - 8 * n)) for n in range(1, 9)], dtype=_U)


def words_of(buffer: Bytes) -> Words:
    """View of a buffer as one little-endian 64-bit word at every byte (unaligned)."""
    return np.ndarray((buffer.size - 7,), "<u8", buffer, strides=(1,))


def _value(digits: Words) -> Words:
    """Eight digits (0-9, first in the lowest byte) to their number."""
    v = digits * _U(10) + (digits >> _U(8))
    v &= _U(0x00FF00FF00FF00FF)
    v = v * _U(100) + (v >> _U(16))
    v &= _U(0x0000FFFF0000FFFF)
    v = v * _U(10000) + (v >> _U(32))
    v &= _U(0xFFFFFFFF)
    return v


def _without_dot(v: Words) -> tuple[Words, Index, NDArray[np.bool_]]:
    """Close the hole of the first dot; the number of characters after it; whether there is one."""
    t = v ^ (_ONES * _DOT)
    # The lowest set top bit marks the first zero byte, which is the dot.
    hit = (t - _ONES) & ~t
    hit &= _TOPS
    dot = (hit & (~hit + _U(1))) >> _U(7)
    has = dot != 0
    below = dot - _U(1)
    # The dot's own byte goes; earlier characters move up by one.
    packed = v & ~(below | (dot * _U(0xFF)))
    below &= v
    packed |= below << (has.view(np.uint8) * np.uint8(8))
    # Byte j of the constant is j, so the product's top byte counts the bytes above the dot's.
    after = ((dot * _U(0x0706050403020100)) >> _U(56)).view(np.int64)
    return packed, after, has


def decimals(buffer: Bytes, words: Words, start: Index, end: Index,
             plain: Callable[[bytes], tuple[float, bool]]) -> tuple[Floats, int]:
    """Numbers of many fields at once.

    Parameters
    ----------
    buffer : ndarray of uint8
        With :data:`MARGIN` bytes before the first field and after the last.
    words : ndarray of uint64
        ``words_of(buffer)``.
    start, end : ndarray, shape (n,)
        Field ``i`` is ``buffer[start[i]:end[i]]``; empty (or end before start) is NaN.
    plain : callable
        Reads the text of a field that is no plain decimal of up to 15 digits; returns the
        number (NaN where it is none) and whether the text was malformed.

    Returns
    -------
    value : ndarray, shape (n,)
    malformed : int
        Fields that held something else than a number.
    """
    value = np.empty(start.size)
    malformed = 0
    # Blocks small enough to stay in a core's cache through some thirty operations.
    for at in range(0, start.size, BLOCK):
        part = slice(at, at + BLOCK)
        malformed += _block(buffer, words, start[part], end[part], plain, value[part])
    return value, malformed


def _block(buffer: Bytes, words: Words, start: Index, end: Index,
           plain: Callable[[bytes], tuple[float, bool]], value: Floats) -> int:
    """Fill ``value`` for some fields; returns how many were malformed."""
    size = end - start
    length = np.minimum(size, 8)
    np.maximum(length, 0, out=length)
    last = words[end - 8]
    last ^= _ZEROS
    last &= _LAST.take(length)
    packed, after, has = _without_dot(last)
    bad = packed + _SIX
    bad |= packed
    bad &= _TOPS
    np.divide(_value(packed).astype(float), _POWERS.take(after), out=value)
    # Empty, or nothing but a dot.
    bare = length == has.view(np.uint8)
    value[bare] = np.nan
    wrong = bare & has
    wrong |= bad != 0
    odd = np.flatnonzero(wrong | (size > 8))
    if not odd.size:
        return 0
    value[odd], still = _careful(buffer, words, start[odd], end[odd])
    malformed = 0
    for i in odd[still]:
        value[i], was = plain(buffer[start[i]:end[i]].tobytes())
        malformed += was
    return malformed


def _careful(buffer: Bytes, words: Words, start: Index, end: Index,
             ) -> tuple[Floats, NDArray[np.bool_]]:
    """Fields with a sign or of more than eight characters; and which are still no number."""
    first_byte = buffer.take(start)
    signed = (first_byte == 0x2D) | (first_byte == 0x2B)
    negative = first_byte == 0x2D
    size = end - start - signed
    length = np.minimum(size, 8)
    last = (words[end - 8] ^ _ZEROS) & _LAST.take(length)
    packed, after, has = _without_dot(last)
    wrong = (((packed + _SIX) | packed) & _TOPS) != 0
    wrong |= length == has.view(np.uint8)
    value = _value(packed).astype(float) / _POWERS.take(after)
    long = np.flatnonzero(size > 8)
    if long.size:
        value[long], wrong[long] = _long(words, size[long], end[long], packed[long], after[long],
                                         has[long], wrong[long])
    return np.where(negative, -value, value), wrong


def _long(words: Words, size: Index, end: Index, packed: Words, after: Index,
          has: NDArray[np.bool_], wrong: NDArray[np.bool_]) -> tuple[Floats, NDArray[np.bool_]]:
    """Fields of 9 to 16 characters: the last eight as before, the rest in a second word."""
    n = np.minimum(size - 8, 8)
    wrong = wrong | (size > 16)
    front = (words[end - 16] ^ _ZEROS) & _LAST.take(n)
    front_packed, front_after, in_front = _without_dot(front)
    # A dot in the front leaves the last eight as they are, and they must then hold none.
    wrong |= in_front & has
    wrong |= (((front_packed + _SIX) | front_packed) & _TOPS) != 0
    high, low = _value(front_packed).astype(float), _value(packed).astype(float)
    low_digits = 8 - has.view(np.uint8).astype(np.int64)
    places = np.where(in_front, 8 + front_after, after)
    # Beyond 15 digits the integer is no longer exact.
    wrong |= n - in_front + low_digits > 15
    return (high * _POWERS.take(low_digits) + low) / _POWERS.take(places), wrong
