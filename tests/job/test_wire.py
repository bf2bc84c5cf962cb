"""A controller read and written over a port: exact, all or nothing, and clear when it cannot."""

import random
import sys
from dataclasses import replace

import pytest
from disk_scenes import MemoryPort
from job_bench import Twin, made_up_calibration, made_up_ride, standing

from breathmap.protocol.host.all_frames import ALL_FRAMES
from breathmap.protocol.host.calibration import Calibration, differences
from breathmap.protocol.wire import control_fields as control
from breathmap.protocol.wire.control_fields import (
    ANSWER,
    AXES,
    CONSTANTS,
    REQUEST,
    SWITCHES,
    TABLE_ROW,
)
from breathmap.protocol.wire.device import build_frame, pack_payload, unpack_payload
from breathmap.protocol.wire.fields import IDENTITY
from breathmap.simulator.control_server import ControlServer, calibration_of
from breathmap.simulator.drives import RoadRide
from breathmap.simulator.faults import Cable, fault
from breathmap.simulator.service import Service
from breathmap.tools.base import control as base_control
from breathmap.tools.base import frame_port
from breathmap.tools.base.control import ControllerLink, NothingWrittenError
from breathmap.tools.base.errors import UserError


@pytest.mark.parametrize("kind", ["tcp"] if sys.platform == "win32" else ["pty"])
def test_the_largest_controller_is_read_and_written(kind: str) -> None:
    """Eight banks of 32 x 32 on axes that are not uniform, load by throttle, read and write whole
    and come back count by count."""
    first, second = (made_up_calibration(8, 32, 32, seed=seed) for seed in (1, 2))
    server = ControlServer(first)
    wanted = replace(second, displacement_cm3=2100.001, settings={**first.settings})
    with standing(server, kind) as url, ControllerLink(url) as link:
        read = link.read()
        back = link.write(wanted, read)

    assert read == first
    assert back == wanted == server.calibration


def test_a_noisy_cable_costs_time_only() -> None:
    """With noise and lost frames on the cable the same is read, because requests are repeated."""
    server = ControlServer(made_up_calibration(2, 8, 8))
    cable = Cable([fault("cable-noise", 5e-4), fault("frames-lost", 0.05)], seed=1)
    with standing(server, "tcp", cable) as url, ControllerLink(url) as link:
        assert link.read() == server.calibration
    assert cable.frames_lost > 0


def test_a_first_request_that_is_lost_is_repeated(monkeypatch: pytest.MonkeyPatch) -> None:
    """The first request can be lost like any other: on the cable, or because the device has just
    seen its number."""
    server = ControlServer(made_up_calibration(1, 4, 4))
    monkeypatch.setattr(frame_port, "open_port", lambda *_: MemoryPort(server))
    monkeypatch.setattr(random, "getrandbits", lambda bits: 7)
    with ControllerLink("memory:") as link:
        link.send(REQUEST, {"action": control.DISCARD, "table": 0, "bank": 0, "row": 0})
    with ControllerLink("memory:") as link:
        assert link.read() == server.calibration


def test_a_device_without_requests_is_told_from_one_that_answers() -> None:
    """A device that sends samples and hears nothing is named in one line, soon."""
    ride = made_up_ride(made_up_calibration(1, 4, 4), [0.0], 40)
    stream = [(number * 40_000, ride[at : at + 600]) for number, at in
              enumerate(range(0, len(ride), 600))]  # fmt: skip
    with (
        Service(stream, "tcp", 1.0) as service,
        ControllerLink(service.url, wait_s=0.5) as link,
        pytest.raises(UserError, match=r"answers no requests.*by hand"),
    ):
        link.read()


def test_a_controller_that_cannot_be_written_says_so() -> None:
    """A controller that is read only refuses, and holds what it held."""
    calibration = made_up_calibration(1, 4, 4)
    server = ControlServer(calibration, writable=False)
    wanted = replace(calibration, displacement_cm3=2000.0)
    with (
        standing(server) as url,
        ControllerLink(url) as link,
        pytest.raises(UserError, match=r"refused constants: this cannot be written.*by hand"),
    ):
        link.write(wanted, link.read())
    assert server.calibration == calibration


class Wire:
    """A control server with frames passed by hand."""

    def __init__(self, server: ControlServer) -> None:
        self.server = server
        self.sequence = 0
        self.time_us = 0

    def tell(self, kind: object, values: dict[str, object]) -> list[tuple[object, dict]]:  # type: ignore[type-arg]
        """Send one frame; return the frames that come back."""
        number = kind.number  # type: ignore[attr-defined]
        self.server.feed(
            build_frame(number, self.sequence, self.time_us, pack_payload(kind, values))  # type: ignore[arg-type]
        )
        self.sequence += 1
        by_number = {k.number: k for k in ALL_FRAMES}
        return [
            (by_number[n], unpack_payload(by_number[n], payload))
            for n, payload in self.server.answers(self.time_us)
        ]

    def outcome(self, kind: object, values: dict[str, object]) -> int:
        """Send one frame; return the outcome of its answer."""
        ((answer, got),) = self.tell(kind, values)
        assert answer is ANSWER
        assert got["answered_sequence"] == self.sequence - 1
        return int(got["outcome"])


def request(action: int, table: int = 0, bank: int = 0, row: int = 0) -> dict[str, object]:
    """Return the values of a request."""
    return {"action": action, "table": table, "bank": bank, "row": row}


def row_of(counts: list[float], row: int = 1, bank: int = 0, table: int = 0) -> dict[str, object]:
    """Return the values of a table row."""
    cells = [{"count": count} for count in counts]
    return {"table": table, "bank": bank, "row": row, "cells": cells}


def axes_of(speeds: list[float | None], loads: list[float | None]) -> dict[str, object]:
    """Return the values of an `axes` frame."""
    return {
        "speed_points": [{"speed_rpm": n} for n in speeds],
        "load_points": [{"load": p} for p in loads],
    }


SPEEDS: list[float | None] = [900, 2000, 5000.5, 8000]
LOADS: list[float | None] = [2, 31.25, 60, 100]


def test_axes_and_tables_come_into_force_together() -> None:
    """Other axes wait for `apply`; then identity tells them, before the answer, and stored counts
    are where they were but for rows that came with them."""
    calibration = made_up_calibration(1, 4, 4)
    wire = Wire(ControlServer(calibration))
    ((kind, values),) = wire.tell(REQUEST, request(control.SEND_AXES))
    assert kind is AXES
    assert [p["speed_rpm"] for p in values["speed_points"]] == list(calibration.speed_rpm)

    assert wire.outcome(AXES, axes_of(SPEEDS, LOADS)) == control.DONE
    assert wire.outcome(TABLE_ROW, row_of([1, 2, 3, 4])) == control.DONE
    assert wire.server.calibration == calibration
    (first, identity), (second, answer) = wire.tell(REQUEST, request(control.APPLY))
    assert (first, second, answer["outcome"]) == (IDENTITY, ANSWER, control.DONE)
    assert [p["load"] for p in identity["load_points"]] == LOADS
    now = wire.server.calibration
    assert (list(now.speed_rpm), list(now.load)) == (SPEEDS, LOADS)
    assert now.ve_pct[0][:4] == calibration.ve_pct[0][:4]
    assert now.ve_pct[0][4:8] == pytest.approx((0.4, 0.8, 1.2, 1.6))
    assert now.target_lambda == calibration.target_lambda


def test_a_controller_without_the_ability_takes_no_axes() -> None:
    """One that cannot, or knows no such frame, says no to the question and is written nothing; one
    that says yes and then refuses or ignores holds what it held."""
    calibration = made_up_calibration(1, 4, 4)
    wire = Wire(ControlServer(calibration, writes_axes=False))
    assert wire.outcome(REQUEST, request(control.SEND_AXES)) == control.NOT_WRITABLE
    assert wire.outcome(AXES, axes_of(SPEEDS, LOADS)) == control.NOT_WRITABLE
    assert wire.outcome(REQUEST, request(control.APPLY)) == control.DONE
    assert wire.server.calibration == calibration
    wanted = replace(calibration, speed_rpm=(900.0, 2000.0, 5000.5, 8000.0))
    server = wire.server
    with standing(server) as url, ControllerLink(url) as link:
        assert not link.writes_axes()
        with pytest.raises(NothingWrittenError, match=r"refused axes.*by hand.*held before"):
            link.write(wanted, link.read())
    assert server.calibration == calibration


@pytest.mark.parametrize("knows", ["nothing of it", "no such action", "all of it"])
def test_an_old_device_is_understood(knows: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A device from before the frame skips it and answers that there is no such action, or is
    silent; to ask does no harm, and what it could do before it still does."""
    calibration = made_up_calibration(1, 4, 4)
    server = ControlServer(calibration)
    real = ControlServer._request

    def old(self: ControlServer, values: dict[str, object]) -> int | None:
        if values["action"] != control.SEND_AXES or knows == "all of it":
            return real(self, values)
        return None if knows == "nothing of it" else control.NO_SUCH_PLACE

    monkeypatch.setattr(ControlServer, "_request", old)
    wanted = replace(calibration, displacement_cm3=2000.0)
    with standing(server) as url, ControllerLink(url) as link:
        with monkeypatch.context() as patch:
            if knows == "nothing of it":  # what is waited for in vain need not be long
                patch.setattr(base_control, "ANSWER_S", 0.1)
            assert link.writes_axes() == (knows == "all of it")
        assert link.write(wanted, link.read()) == wanted


def test_axes_are_written_with_every_row_and_read_back() -> None:
    """Host and device together: other axes and tables arrive as one change, exactly."""
    first, second = made_up_calibration(2, 6, 5), made_up_calibration(2, 6, 5, seed=2)
    server = ControlServer(first)
    wanted = replace(
        first,
        speed_rpm=(900.0, 1500.5, 3000.0, 4000.0, 5000.0, 9000.0),
        load=(1.25, 20.0, 40.0, 60.0, 99.99),
        ve_pct=(first.ve_pct[0], second.ve_pct[1]),
    )
    assert len(wanted.changes_from(first)) == 1 + 3 * 5
    assert [m[0] for m in first.changes_from(wanted)][:1] == [AXES]
    with standing(server) as url, ControllerLink(url) as link:
        assert link.write(wanted, link.read()) == wanted == server.calibration
        assert link.write(first, wanted) == first
    with pytest.raises(ValueError, match="other axes or banks"):
        made_up_calibration(2, 5, 5).changes_from(first)


def test_nothing_is_in_force_before_apply() -> None:
    """Writes are kept aside; `apply` puts all of them into force, `discard` and half a minute of
    silence forget them."""
    calibration = made_up_calibration(1, 4, 4)
    wire = Wire(ControlServer(calibration))
    constants = {**calibration.constants()[1], "displacement_mm3": 2_000_000}

    def write() -> None:
        assert wire.outcome(TABLE_ROW, row_of([1, 2, 3, 255])) == control.DONE
        assert wire.outcome(CONSTANTS, constants) == control.DONE
        assert wire.server.calibration == calibration

    write()
    assert wire.outcome(REQUEST, request(control.DISCARD)) == control.DONE
    assert wire.outcome(REQUEST, request(control.APPLY)) == control.DONE
    assert wire.server.calibration == calibration
    write()
    wire.time_us += 31_000_000
    assert wire.outcome(REQUEST, request(control.APPLY)) == control.DONE
    assert wire.server.calibration == calibration
    write()
    assert wire.outcome(REQUEST, request(control.APPLY)) == control.DONE
    assert wire.server.calibration.ve_pct[0][4:8] == pytest.approx((0.4, 0.8, 1.2, 102.0))
    assert wire.server.calibration.displacement_cm3 == 2000.0


@pytest.mark.parametrize(
    ("kind", "values", "outcome"),
    [
        (TABLE_ROW, row_of([1, 2, 3, 256]), control.BAD_VALUE),
        (TABLE_ROW, row_of([1, 2, 3, None]), control.BAD_VALUE),  # type: ignore[list-item]
        (TABLE_ROW, row_of([1, 2, 3]), control.NO_SUCH_PLACE),
        (TABLE_ROW, row_of([1, 2, 3, 4], row=4), control.NO_SUCH_PLACE),
        (TABLE_ROW, row_of([1, 2, 3, 4], bank=1), control.NO_SUCH_PLACE),
        (TABLE_ROW, row_of([1, 2, 3, 4], table=7), control.NO_SUCH_PLACE),
        (SWITCHES, {"switches": [{"setting": 0, "value": 0.5}]}, control.BAD_VALUE),
        (SWITCHES, {"switches": [{"setting": 9, "value": 4}]}, control.NO_SUCH_PLACE),
        (SWITCHES, {"switches": [{"setting": 200, "value": 1}]}, control.NO_SUCH_PLACE),
        (AXES, axes_of(SPEEDS[:3], LOADS), control.NO_SUCH_PLACE),
        (AXES, axes_of(SPEEDS, [*LOADS, 120]), control.NO_SUCH_PLACE),
        (AXES, axes_of([900, 2000, 2000, 8000], LOADS), control.BAD_VALUE),
        (AXES, axes_of(SPEEDS, LOADS[::-1]), control.BAD_VALUE),
        (AXES, axes_of(SPEEDS, [2, None, 60, 100]), control.BAD_VALUE),
        (REQUEST, request(99), control.NO_SUCH_PLACE),
        (REQUEST, request(control.SEND_ROW, row=9), control.NO_SUCH_PLACE),
        (
            CONSTANTS,
            {"displacement_mm3": 0, "ve_step_pct": 0.4, "ve_most_count": 255,
             "target_step_lambda": 0.005, "target_most_count": 255},
            control.BAD_VALUE,
        ),
        (
            CONSTANTS,
            {"displacement_mm3": 1, "ve_step_pct": 0.25, "ve_most_count": 255,
             "target_step_lambda": 0.005, "target_most_count": 255},
            control.NOT_WRITABLE,
        ),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_refused(
    kind: object, values: dict[str, object], outcome: int
) -> None:
    """A write or request that does not fit is answered with why, and nothing of it stays."""
    calibration = made_up_calibration(1, 4, 4)
    wire = Wire(ControlServer(calibration))

    assert wire.outcome(kind, values) == outcome
    assert wire.outcome(REQUEST, request(control.APPLY)) == control.DONE
    assert wire.server.calibration == calibration


def test_the_engine_runs_on_what_was_applied() -> None:
    """What is applied is what the simulated engine's controller computes with; a target that
    cannot burn is refused as a whole."""
    twin = Twin()
    wire = Wire(twin.server)
    assert wire.outcome(TABLE_ROW, row_of([150] * 6, row=2, bank=1)) == control.DONE
    assert wire.outcome(REQUEST, request(control.APPLY)) == control.DONE
    assert twin.controller.read_ve(1)[12:18] == [60.0] * 6

    before = twin.server.calibration
    assert wire.outcome(TABLE_ROW, row_of([20] * 6, table=1)) == control.DONE
    assert wire.outcome(REQUEST, request(control.APPLY)) == control.BAD_VALUE
    assert twin.server.calibration == before
    assert twin.controller.read_target()[6] == before.target_lambda[6]  # type: ignore[index]

    loads = [*before.load[:-1], 110.0]
    assert wire.outcome(AXES, axes_of([*before.speed_rpm], [*loads])) == control.DONE
    assert wire.outcome(TABLE_ROW, row_of([20] * 6, table=1)) == control.DONE
    assert wire.outcome(REQUEST, request(control.APPLY)) == control.BAD_VALUE
    assert calibration_of(twin.controller) == twin.server.calibration == before
    assert wire.outcome(REQUEST, request(control.DISCARD)) == control.DONE
    assert wire.outcome(AXES, axes_of([*before.speed_rpm], [*loads])) == control.DONE
    assert wire.tell(REQUEST, request(control.APPLY))[1][1]["outcome"] == control.DONE
    assert list(twin.controller.axes.load_kpa) == loads
    assert twin.controller.read_ve(1)[12:18] == [60.0] * 6
    between = twin.controller.ve_at(0, before.speed_rpm[0], 95.0)
    assert between == pytest.approx((before.ve_pct[0][24] + before.ve_pct[0][30]) / 2.0)


def test_differences_are_counted_field_by_field() -> None:
    """Every cell, switch, constant and axis is one field; each that differs is named."""
    one = made_up_calibration(2, 4, 3)
    cells = list(one.ve_pct[1])
    cells[5] += 0.4
    other = replace(
        one,
        ve_pct=(one.ve_pct[0], tuple(cells)),
        settings={**one.settings, "closed_loop": 0.0},
        displacement_cm3=2000.0,
    )

    assert differences(one, one) == (4 + 4 + 1 + 3 + 3 * 12, [])
    compared, found = differences(one, other)
    assert compared == 4 + 4 + 1 + 3 + 3 * 12
    assert [d.part for d in found] == ["displacement_cm3", "settings", "ve"]
    assert found[2].place.startswith("bank 2, ")
    assert (found[2].before, found[2].after) == pytest.approx((cells[5] - 0.4, cells[5]))


def test_a_calibration_must_be_whole() -> None:
    """Tables that do not fit the axes, and settings nobody knows, are refused."""
    with pytest.raises(ValueError, match="3 cells, the axes need 4"):
        Calibration("map_kpa", (1.0, 2.0), (1.0, 2.0), ((1.0, 2.0, 3.0),), 689.0)
    with pytest.raises(ValueError, match="no setting 'warp'"):
        Calibration("map_kpa", (1.0, 2.0), (1.0, 2.0), ((1.0,) * 4,), 689.0, None, {"warp": 1.0})


def test_samples_go_on_between_answers() -> None:
    """Answers travel among the samples of one numbered stream, with no frame lost."""
    twin = Twin()
    with twin.driving(RoadRide(1200.0, 1), at_once=True) as url, ControllerLink(url) as link:
        assert link.read() == twin.server.calibration
        assert link.counters.frames > 20
        assert link.counters.lost == 0
        assert link.counters.bad == 0
