"""Takes a made-up engine through every alarm and prints all that was raised, on any interpreter.

python alarms_script.py FOLDER_OF_THE_ROOMS, and the same with micropython
"""

import sys

sys.path.insert(0, sys.argv[1])

from breathmap.learner.core.alarms import NAMES, AlarmLimits, Alarms
from breathmap.learner.core.history import DelayModel
from breathmap.learner.core.settings import BankSettings, Settings
from breathmap.learner.core.table import Table
from breathmap.protocol.wire.codes import FUEL_CUT, SENSOR_ABSENT, SENSOR_READY
from breathmap.protocol.wire.sample import NAN, Sample

STEP_US = 40_000
SAID = ("kind", "bank", "time_s", "duration_s", "worst", "limit", "speed_rpm", "load", "over")


def healthy(sample):
    sample.speed_rpm, sample.map_kpa, sample.coolant_c = 3000.0, 90.0, 85.0
    sample.target_lambda, sample.flags, sample.lost_before = 0.9, 0, 0
    for bank in range(2):
        sample.measured_lambda[bank], sample.sensor_state[bank] = 0.9, SENSOR_READY


def lean(sample, k):
    sample.measured_lambda[1] = 1.2


def slightly(sample, k):
    # On the way to full load, and only above the target.
    sample.map_kpa = 60.0 + min(k - 40, 38)
    sample.measured_lambda[0] = 1.02


def hot(sample, k):
    sample.coolant_c = 100.0 + k


def unplugged(sample, k):
    sample.sensor_state[0], sample.measured_lambda[0] = SENSOR_ABSENT, NAN


def losing(sample, k):
    sample.lost_before = k % 3


def cut(sample, k):
    sample.flags, sample.measured_lambda[0] = FUEL_CUT, 3.0


def standing(sample, k):
    sample.speed_rpm = 0.0
    unplugged(sample, k)


def never_ready(sample, k):
    unplugged(sample, k)


table = Table([1000.0, 6000.0], [20.0, 100.0], [80.0] * 4)
banks = [BankSettings("b%d" % k, table, DelayModel()) for k in range(2)]
alarms = Alarms(Settings(banks), AlarmLimits())
sample = Sample(2)
for trouble in (lean, slightly, hot, cut, unplugged, losing, standing, never_ready):
    for k in range(200):
        healthy(sample)
        if k >= 40 or trouble is never_ready:
            trouble(sample, k)
        sample.time_us += STEP_US
        if alarms.take(sample):
            worst = alarms.worst()
            print(k, NAMES[worst], alarms.bank[worst], repr(alarms.value[worst]))
            alarms.acknowledge()
print("silence", alarms.silence(0.5), alarms.silence(1.5), NAMES[alarms.worst()])
for episode in alarms.episodes.kept:
    print([repr(getattr(episode, name)) for name in SAID])
print(alarms.episodes.counts, repr(alarms.lean.judged_s))
