"""The hose from the bath to a coil: plug flow, and slow warming while the glycol stands in it."""

import math
from collections import deque

from controller.plant.specs import Glycol


class Line:
    """Glycol on its way, oldest first. Its volume never changes; `room_j` is the heat that came in from the
    room during the last `stand`."""

    __slots__ = ("_flowing", "_lag_s", "_litres", "_plugs", "j_per_l_k", "room_j", "still_c")

    def __init__(self, litres: float, lag_s: float, glycol: Glycol, start_c: float) -> None:
        self._litres = litres
        self._lag_s = lag_s
        self.j_per_l_k = glycol.j_per_l_k
        self._plugs: deque[tuple[float, float]] = deque()
        self._flowing = False
        self.still_c = start_c
        self.room_j = 0.0

    def stored_j(self) -> float:
        """Heat above 0 °C of the glycol in the line."""
        if not self._flowing:
            return self._litres * self.j_per_l_k * self.still_c
        return self.j_per_l_k * sum(litres * celsius for litres, celsius in self._plugs)

    def push(self, litres: float, bath_c: float) -> float:
        """Pump `litres` in at `bath_c`; returns the mean temperature of what comes out at the coil."""
        plugs = self._plugs
        if not self._flowing:
            self._flowing = True
            plugs.clear()
            plugs.append((self._litres, self.still_c))
        plugs.append((litres, bath_c))
        left, out = litres, 0.0
        while True:
            size, celsius = plugs[0]
            if size > left:
                plugs[0] = (size - left, celsius)
                return (out + left * celsius) / litres
            plugs.popleft()
            out += size * celsius
            left -= size
            if left <= 0.0 or not plugs:
                return out / litres

    def stand(self, dt_s: float, room_c: float) -> None:
        """Let the glycol stand for `dt_s`."""
        if self._flowing:
            self.still_c = self.stored_j() / (self._litres * self.j_per_l_k)
            self._flowing = False
        before_c = self.still_c
        self.still_c = room_c + (before_c - room_c) * math.exp(-dt_s / self._lag_s)
        self.room_j = self._litres * self.j_per_l_k * (self.still_c - before_c)
