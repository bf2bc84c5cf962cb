"""What every learner promises, whatever it learns: a second one is one more line in LEARNERS."""

import gc
import random
import tracemalloc
from array import array
from itertools import islice

import pytest
from bench_streams import bumpy_truth, cells_of, road_stream, twin_learner, twin_table

from breathmap.learner.core import kernel
from breathmap.learner.core.history import History
from breathmap.learner.core.kernel import Evidence
from breathmap.learner.core.table import Table


class EvidenceCase:
    """The kernel alone, fed with observations."""

    def make(self):
        return Evidence(8, 7, 2)

    def inputs(self, count):
        """Yield (index, shares, observation, terms array)."""
        rng = random.Random(5)
        table = twin_table()
        truth = bumpy_truth(table)
        for _ in range(count):
            table.locate(rng.uniform(800, 7000), rng.uniform(20, 105))
            v = (table.v0, table.v1, table.v2, table.v3)
            x = [truth[cell] for cell in cells_of(table, table.index)]
            d = sum(a * b for a, b in zip(v, x, strict=True)) + rng.gauss(0, 0.02)
            yield table.index, v, d, array("d", [rng.gauss(0, 0.1), rng.gauss(0, 0.1)])

    def learn(self, learner, given):
        index, v, d, terms = given
        return learner.learn_one(index, *v, d, terms=terms)

    def predict(self, learner, place):
        return learner.predict(place % 40, 0.25, 0.25, 0.25, 0.25)

    def spoil(self, given):
        given[3][0] = given[3][1] = 1e3


class LearnerCase:
    """The whole stream learner with two banks, fed with samples."""

    def make(self):
        return twin_learner(banks=2)

    def inputs(self, count):
        return islice(road_stream(count / 25.0 + 1.0, banks=2, seed=3), count)

    def learn(self, learner, given):
        return learner.learn_one(given)

    def predict(self, learner, place):
        bank = learner.banks[place % 2]
        return bank.correction(700.0 + 173.0 * (place % 40), 10.0 + 3.0 * (place % 35))

    def spoil(self, given):
        for name, value in list(vars(given).items()):
            if isinstance(value, list):
                value[:] = [9.9] * len(value)
            elif isinstance(value, float):
                setattr(given, name, 9.9)
        given.time_us = 9


LEARNERS = [EvidenceCase(), LearnerCase()]


@pytest.fixture(params=LEARNERS, ids=lambda case: type(case).__name__)
def case(request):
    return request.param


def frozen(thing):
    """All that a learner holds as nested tuples, to the last bit; where a table's cursor stands
    is nothing learned and left out."""
    if isinstance(thing, array):
        return thing.typecode, thing.tobytes()
    if isinstance(thing, Table):
        return frozen([thing.speed_rpm, thing.load, thing.cells])
    if isinstance(thing, list | tuple):
        return tuple(frozen(part) for part in thing)
    if isinstance(thing, float):
        return thing.hex()
    if hasattr(thing, "__dict__"):
        return tuple((name, frozen(part)) for name, part in sorted(vars(thing).items()))
    return thing


def parts_of(thing, kind, found=None):
    """All objects of a kind that a learner holds, each once."""
    found, seen = ({}, {}) if found is None else found
    if isinstance(thing, kind):
        found[id(thing)] = thing
    if isinstance(thing, list | tuple):
        for part in thing:
            parts_of(part, kind, (found, seen))
    elif hasattr(thing, "__dict__") and id(thing) not in seen:
        # Parts may know their owner.
        seen[id(thing)] = thing
        for part in vars(thing).values():
            parts_of(part, kind, (found, seen))
    return found


def taught(case, count):
    learner = case.make()
    for given in case.inputs(count):
        case.learn(learner, given)
    return learner


def test_predicting_before_learning_gives_zero(case):
    """A learner that has seen nothing predicts that nothing needs correcting."""
    learner = case.make()
    assert [case.predict(learner, place) for place in range(40)] == [0.0] * 40


def test_learning_changes_the_prediction(case):
    """What is learned shows in the prediction: the other promises are not kept by doing nothing."""
    learner = taught(case, 500)
    assert sum(case.predict(learner, place) != 0.0 for place in range(40)) > 20


def test_learn_one_returns_nothing(case):
    """Learning changes the learner and returns None."""
    learner = case.make()
    assert {case.learn(learner, given) for given in case.inputs(30)} == {None}


def test_inputs_are_not_changed(case):
    """A learner leaves what it is given as it was, to the last bit."""
    learner = case.make()
    for given in case.inputs(200):
        before = frozen(given)
        case.learn(learner, given)
        assert frozen(given) == before


def test_inputs_are_not_kept(case):
    """Overwriting an input after the call changes nothing that was or will be learned."""
    learner = case.make()
    for given in case.inputs(200):
        case.learn(learner, given)
        before = frozen(learner)
        case.spoil(given)
        assert frozen(learner) == before
    assert before == frozen(taught(case, 200))


def test_the_same_stream_gives_the_same_result(case):
    """Two learners fed the same stream are equal to the last bit."""
    assert frozen(taught(case, 600)) == frozen(taught(case, 600))


def test_two_learners_share_nothing(case):
    """Teaching one learner leaves another as it was, and they hold no array in common."""
    one, other = case.make(), case.make()
    before = frozen(other)
    for given in case.inputs(300):
        case.learn(one, given)
    assert frozen(other) == before
    assert not parts_of(one, array).keys() & parts_of(other, array).keys()


def test_predicting_changes_nothing(case):
    """A learner asked for predictions all the time learns the same as one left alone."""
    asked = case.make()
    for k, given in enumerate(case.inputs(300)):
        before = frozen(asked)
        case.predict(asked, k)
        assert frozen(asked) == before
        case.learn(asked, given)
    assert frozen(asked) == frozen(taught(case, 300))


def buffer_bytes(learner):
    """Bytes of all arrays and lengths of all lists that a learner holds."""
    arrays = parts_of(learner, array).values()
    lists = parts_of(learner, list).values()
    return sum(a.itemsize * len(a) for a in arrays), sum(len(part) for part in lists)


def test_buffers_do_not_grow(case):
    """After 8,000 inputs the arrays and lists are as long as after 1,000."""
    learner = case.make()
    inputs = case.inputs(8_000)
    for given in islice(inputs, 1_000):
        case.learn(learner, given)
    early = buffer_bytes(learner)
    for given in inputs:
        case.learn(learner, given)
    assert buffer_bytes(learner) == early


def test_memory_does_not_grow(case):
    """Nothing that learning allocates outlives the call by more than a few numbers."""
    learner = case.make()
    inputs = list(case.inputs(3_000))
    for given in inputs[:1_000]:
        case.learn(learner, given)
    gc.collect()
    tracemalloc.start()
    for given in inputs[1_000:]:
        case.learn(learner, given)
    gc.collect()
    left, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    # The numbers a learner holds as attributes are made anew with each input: at most some fifty.
    assert left < 4_000


@pytest.mark.parametrize("shape", [(2, 2, 0), (8, 7, 0), (16, 12, 3), (5, 9, 1)])
@pytest.mark.parametrize("typecode", ["f", "d"])
def test_the_evidence_takes_what_its_docstring_says(shape, typecode):
    """An evidence's arrays hold 8 + K numbers a cell, those of K terms, one block, and in single
    precision the open square's: the docstrings' formulas, and not a number more."""
    speed_count, load_count, K = shape
    evidence = Evidence(speed_count, load_count, K, typecode)
    numbers = (8 + K) * speed_count * load_count + K * (K + 1) // 2 + 3 * K + 4
    block_bytes = kernel.BLOCK_CELLS * (2 + {"f": 4, "d": 8}[typecode])
    held_bytes = 14 * (21 + 4 * K + K * (K + 3) // 2)
    expected = {"f": 4 * numbers + block_bytes + held_bytes, "d": 8 * numbers + block_bytes}
    assert buffer_bytes(evidence)[0] == expected[typecode]


def test_a_table_of_256_cells_takes_8_kib_in_single_precision():
    """The eight numbers a cell of a 16 x 16 table fit 8 KiB as single-precision floats."""
    cells = Evidence(16, 16, typecode="f").cells
    assert cells.itemsize * len(cells) == 8 * 1024


def test_the_history_takes_its_size_and_no_more():
    """A ring of 100 points for two banks keeps twelve columns of 100 numbers, and two more."""
    assert buffer_bytes(History(100, 2))[0] == (12 * 100 + 2) * 8
