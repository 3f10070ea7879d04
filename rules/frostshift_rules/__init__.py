"""The trade's arithmetic of Frostshift: pure functions of values, SI in and SI out."""
