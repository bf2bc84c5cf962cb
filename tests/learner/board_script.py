"""Learns from a made-up stream and prints all that was learned; runs on both interpreters.

python board_script.py FOLDER_OF_THE_ROOMS TYPECODE BANKS, and the same with micropython

Everything random comes from a small integer generator, so both see the same samples. Lines that
start with "heap" speak of a board's memory and are printed only where there is such a thing; the
others are the same text everywhere, floats as the hex of their eight bytes.
"""

import gc
import struct
import sys

sys.path.insert(0, sys.argv[1])


def free_bytes():
    gc.collect()
    return gc.mem_free() if hasattr(gc, "mem_free") else 0


def heap(name, count):
    if hasattr(gc, "mem_free"):
        print("heap", name, count)


START = free_bytes()
heap("at_start_free", START)
# One by one and collected in between: what importing leaves behind does not then lie scattered
# where the evidence needs room in one piece.
for name in (
    "breathmap.protocol.wire.codes",
    "breathmap.protocol.wire.sample",
    "breathmap.learner.core.table",
    "breathmap.learner.core.kernel",
):
    __import__(name)
    gc.collect()
for name in (
    "breathmap.learner.core.history",
    "breathmap.learner.core.settings",
    "breathmap.learner.core.gates",
    "breathmap.learner.core.stream",
):
    __import__(name)
    gc.collect()

import binascii  # noqa: E402
from array import array  # noqa: E402

from breathmap.learner.core.history import DelayModel  # noqa: E402
from breathmap.learner.core.kernel import PER_CELL  # noqa: E402
from breathmap.learner.core.settings import BankSettings, Settings  # noqa: E402
from breathmap.learner.core.stream import Learner  # noqa: E402
from breathmap.learner.core.table import Table  # noqa: E402
from breathmap.protocol.wire.codes import (  # noqa: E402
    ACCELERATION_ENRICHMENT,
    FUEL_CUT,
    SENSOR_READY,
    SENSOR_WARMING,
)
from breathmap.protocol.wire.sample import NAN, Sample  # noqa: E402

heap("after_import_free", free_bytes())

RATE_HZ = 25
SAMPLES = 4000
WATCHED = 1000
# What the invented engine breathes more or less than its tables say.
TRUE_CORRECTION = (0.04, -0.03)


def fresh_table(offset):
    # An array and not a list: its numbers would lie scattered over the heap, each an object.
    cells = array("d", range(16 * 12))
    for k in range(16 * 12):
        cells[k] = 55.0 + offset + 2.0 * (k % 16) + 1.5 * (k // 16)
    speeds = [800.0 + 400.0 * k for k in range(16)]
    loads = [20.0 + 8.0 * k for k in range(12)]
    gc.collect()
    return Table(speeds, loads, cells)  # type: ignore[arg-type]


def fresh_learner(typecode, count):
    banks = []
    for k in range(count):
        delay = DelayModel(1.0, 400.0 + 200.0 * k, 0.07, 900.0, 344.5)
        banks.append(BankSettings("bank%d" % k, fresh_table(3.0 * k), delay))
    gc.collect()
    settings = Settings(banks, sample_rate_hz=float(RATE_HZ), history_s=1.5)
    if typecode == "d":
        # In double precision two film columns and no charge lead: what the heap has room for.
        settings.film_terms = 2
        settings.charge_lead = False
    return Learner(settings, typecode)


class Drive:
    """An invented drive: `advance` writes the next sample into one object, again and again."""

    def __init__(self):
        self.state = 20250117
        self.sample = Sample(2)
        self.speed = 2500.0
        self.load = 50.0
        self.speed_aim = 2500.0
        self.load_aim = 50.0

    def draw(self, count):
        """An integer from 0 to count - 1."""
        self.state = (self.state * 1103515245 + 12345) % 2147483648
        return (self.state // 65536) % count

    def advance(self, number, plain=False):
        if self.draw(60) == 0:
            self.speed_aim = 900.0 + 5.0 * self.draw(1150)
            self.load_aim = 22.0 + 0.1 * self.draw(840)
        self.speed += (self.speed_aim - self.speed) * 0.03125
        self.load += (self.load_aim - self.load) * 0.0625
        s = self.sample
        s.time_us += 1000000 // RATE_HZ
        s.lost_before = 0
        s.flags = 0
        s.speed_rpm = self.speed
        s.map_kpa = self.load
        s.throttle_pct = self.load * 0.75
        s.coolant_c = 88.0
        s.intake_c = 24.0 + self.draw(3)
        s.battery_v = 13.8
        s.pulse_width_ms = 3.0
        s.target_lambda = 1.0
        for bank in range(2):
            noise = (self.draw(2001) - 1000) * 0.00002
            s.measured_lambda[bank] = (1.0 + TRUE_CORRECTION[bank]) * (1.0 + noise)
            s.fuel_multiplier[bank] = 1.0
            s.sensor_state[bank] = SENSOR_READY
        if not plain:
            self.disturb(number)
        return s

    def disturb(self, number):
        """Now and then what a real stream brings: cuts, gaps, missing values, a moved target."""
        s = self.sample
        if number < 40:
            s.sensor_state[1] = SENSOR_WARMING
        if number % 700 in (300, 301, 302):
            s.flags = FUEL_CUT
        if number % 900 == 450:
            s.flags = ACCELERATION_ENRICHMENT
        if number % 1100 == 600:
            s.lost_before = 2
        if number % 1300 == 800:
            s.map_kpa = NAN
        if number % 1300 == 1000:
            s.throttle_pct = NAN
        if number % 500 == 250:
            s.measured_lambda[0] = NAN
        if number % 97 == 50:
            s.measured_lambda[1] = 1.25
        if number > 3200:
            s.target_lambda = 0.9
            for bank in range(2):
                s.measured_lambda[bank] *= 0.9
        if number % 1700 == 900:
            s.time_us += 400000


def hexed(values):
    return binascii.hexlify(struct.pack("<%dd" % len(values), *values)).decode()


def report(learner):
    for bank in learner.banks:
        evidence = bank.evidence
        print("bank", bank.name, bank.seen_count, bank.used_count)
        print("refused", *bank.refused)
        print("noise", hexed([evidence.noise]))
        print("sums", hexed(evidence.sums))
        print("terms", hexed(evidence.term_x), hexed(evidence.term_dot))
        print("corner", hexed(evidence.corner), hexed(evidence.term_rhs))
        terms = evidence.n_terms
        for k in range(evidence.speed_count * evidence.load_count):
            cell = evidence.cells[k * PER_CELL : (k + 1) * PER_CELL]
            border = evidence.border[k * terms : (k + 1) * terms]
            print("cell", k, hexed(cell), hexed(border))
        print("middle", hexed([bank.correction(2600.0, 48.0)]), "%.5f" % bank.correction(2600, 48))


def settle(learner, drive, count):
    """Learn `count` samples and on until all banks use one; then say how much heap is free.

    A value that happens to be a constant takes no heap and a computed one does, so only samples
    that met the same fate compare.
    """
    number = 0
    while number < count or any(bank.verdict for bank in learner.banks):
        learner.learn_one(drive.advance(number, True))
        number += 1
    return free_bytes()


def main():
    drive = Drive()
    learner = fresh_learner(sys.argv[2], int(sys.argv[3]))
    heap("after_construction_free", free_bytes())
    lowest = START
    for number in range(SAMPLES):
        learner.learn_one(drive.advance(number))
        if number % 50 == 0:
            lowest = min(lowest, free_bytes())
    heap("after_learning_free", free_bytes())
    heap("most_alive", START - lowest)
    report(learner)
    before = settle(learner, drive, 200)
    after = settle(learner, drive, WATCHED)
    heap("retained", before - after)
    heap("retained_later", after - settle(learner, drive, WATCHED))
    print("end", hexed([learner.banks[0].correction(2600.0, 48.0)]))


main()
