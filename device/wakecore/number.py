"""Whole-number arithmetic. No floats: a chip and a PC must agree to the last bit.

A small integer lies in SMALL_MIN..SMALL_MAX. A 32-bit MicroPython holds such a number
without memory from the heap. All numbers of the core stay small, except inside the three
`muldiv` functions, where a product may be big for a moment. They are called before and
after a pump run, never during one, because the heap is locked then.
"""

if False:
    from typing import TypeGuard

SMALL_MAX = (1 << 30) - 1
SMALL_MIN = -(1 << 30)


def muldiv(a: int, b: int, c: int) -> int:
    """a * b / c, rounded to the nearest whole number (halves up). c > 0."""
    return (2 * a * b + c) // (2 * c)


def muldiv_down(a: int, b: int, c: int) -> int:
    """a * b / c, rounded down. c > 0."""
    return a * b // c


def muldiv_up(a: int, b: int, c: int) -> int:
    """a * b / c, rounded up. c > 0."""
    return -(-a * b // c)


def div_up(a: int, b: int) -> int:
    """a / b, rounded up. b > 0."""
    return -(-a // b)


def clamp(value: int, least: int, most: int) -> int:
    """value, but never below least nor above most."""
    return least if value < least else most if value > most else value


def add_capped(a: int, b: int, most: int) -> int:
    """a + b, but never above most. For counters that may stop there. b >= 0."""
    return most if a > most - b else a + b


def is_whole(value: object, least: int, most: int) -> "TypeGuard[int]":
    """A whole number, not a truth value, in least..most."""
    return type(value) is int and least <= value <= most
