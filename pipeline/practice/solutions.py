"""Strengths of sodium hypochlorite: what a dilution gives, and which dilution a recorded strength may be.

Store the percentage, never the words: "1:3" is read as 1 part in 4 by some and as 1 part in 3 by others. Stock loses
strength with age, heat and light, so a computed strength is an upper limit (common practice, no source).
"""

STOCKS = (5.25, 6.0, 8.25)  # percent, as sold
WATERS = (1, 2, 3)  # parts of water to 1 part of stock
# Strengths are written to two decimals; 1.3125 is written 1.31, and 2.0625 as 2.06 or 2.1.
TOLERANCE = 0.006


def diluted(stock_percent: float, *, water: float, stock: float = 1.0) -> float:
    """Strength after mixing `water` parts of water with `stock` parts of stock; volumes add up.

    C1 V1 = C2 V2: 3 parts of water to 1 part of 5.25 % give 1.3125 %.

    Raises ValueError for a negative part or strength, or no stock at all.
    """
    if water < 0 or stock <= 0 or stock_percent < 0:
        raise ValueError("parts and strength must not be negative, and there must be some stock")
    return stock_percent * stock / (water + stock)


def made_from(percent: float) -> tuple[str, ...]:
    """What a recorded strength may be: a stock as sold, or a usual dilution of one; empty where it is none."""
    found = [f"stock of {s:g} %" for s in STOCKS if abs(percent - s) < TOLERANCE]
    for water in WATERS:
        for stock in STOCKS:
            if abs(percent - diluted(stock, water=water)) < TOLERANCE:
                found.append(f"{water} part{'s' if water > 1 else ''} water to 1 part of {stock:g} %")
    return tuple(found)
