"""Log to pulls: wide-open stretches, their gears and what ended them."""
