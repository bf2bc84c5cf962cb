// Draws drives over time on canvases that share one clock, one view and one cursor.
(function () {
  "use strict";
  const NO_VALUE = 65535;
  const HEIGHTS = { lines: 96, lambda: 140, verdicts: 20 };
  const GAP = 10, AXIS = 26, LEFT = 46, RIGHT = 6;
  const STYLES = { ink: "#1a1a1a", learned: "#0072b2", old: "#d55e00" };
  const BAND = "rgba(0,114,178,.22)", ALARM = "rgba(220,40,30,.25)", ALARM_EDGE = "#b3261e";

  function bytesOf(text) {
    const raw = atob(text), bytes = new Uint8Array(raw.length);
    for (let k = 0; k < raw.length; k++) bytes[k] = raw.charCodeAt(k);
    return bytes.buffer;
  }

  function channelOf(packed) {
    const lo = new Uint16Array(bytesOf(packed.lo));
    const hi = packed.hi === null ? lo : new Uint16Array(bytesOf(packed.hi));
    return { low: packed.low, step: packed.step, lo: lo, hi: hi };
  }

  function valueOf(channel, codes, k) {
    return codes[k] === NO_VALUE ? NaN : channel.low + channel.step * codes[k];
  }

  const data = JSON.parse(document.getElementById("data").textContent);
  const sections = document.querySelectorAll("section.drive");
  const drives = data.drives.map(function (drive, number) {
    const section = sections[number];
    const ms = new Uint32Array(bytesOf(drive.time));
    const time = new Float64Array(ms.length);
    const steps = [];
    for (let k = 0; k < ms.length; k++) {
      time[k] = ms[k] / 1000;
      if (k && steps.length < 5000) steps.push(time[k] - time[k - 1]);
    }
    steps.sort(function (a, b) { return a - b; });
    drive.tracks.forEach(function (track, n) {
      if (track.kind === "verdicts") {
        track.places = new Uint16Array(bytesOf(track.codes));
        track.learned = track.verdicts[0].texts.length ? -1 : 0;
        return;
      }
      track.isLambda = track.lines.length > 1;
      if (track.isLambda) track.verdicts = drive.tracks[n + 1];
      track.lines.forEach(function (line) {
        line.channel = channelOf(line);
        if (line.error) line.errors = channelOf(line.error);
      });
    });
    return {
      data: drive, time: time, gap: 3 * (steps[steps.length >> 1] || 1),
      base: document.createElement("canvas"), isStale: true,
      canvas: section.querySelector("canvas"), values: section.querySelector(".values"),
    };
  });
  const end = Math.max.apply(null, drives.map(function (d) { return d.time[d.time.length - 1]; })) || 1;
  let from = 0, to = end, cursor = null, drag = null, waiting = false;

  function firstAt(time, wanted) {
    let low = 0, high = time.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (time[middle] < wanted) low = middle + 1; else high = middle;
    }
    return low;
  }

  function nearest(drive, wanted) {
    const k = firstAt(drive.time, wanted), last = drive.time.length - 1;
    if (k > last) return last;
    return k && wanted - drive.time[k - 1] < drive.time[k] - wanted ? k - 1 : k;
  }

  function clock(seconds, digits) {
    const fine = Math.pow(10, digits), whole = Math.round(seconds * fine);
    const minutes = Math.floor(whole / fine / 60), hours = Math.floor(minutes / 60);
    const left = ((whole - 60 * fine * minutes) / fine).toFixed(digits);
    const head = hours ? hours + ":" + String(minutes % 60).padStart(2, "0") : String(minutes);
    return head + ":" + left.padStart(digits ? digits + 3 : 2, "0");
  }

  function niceStep(span, wanted, steps) {
    for (const step of steps) if (span / step <= wanted) return step;
    return steps[steps.length - 1];
  }

  function numberSteps(span) {
    const power = Math.pow(10, Math.floor(Math.log10(span || 1)) - 1);
    return [1, 2, 5, 10, 20, 50].map(function (k) { return k * power; });
  }

  const TIME_STEPS = [.1, .2, .5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400];

  // Least and most of what a track shows between two points; of lambdas, where they were learned,
  // or a sensor in free air would leave nothing to see. What goes beyond runs along the edge.
  function rangeOf(track, first, last, verdicts) {
    let low = Infinity, high = -Infinity;
    track.lines.forEach(function (line) {
      const c = line.channel;
      for (let k = first; k <= last; k++) {
        if (c.lo[k] === NO_VALUE || (verdicts && verdicts.places[k] !== verdicts.learned)) continue;
        const a = c.low + c.step * c.lo[k], b = c.low + c.step * c.hi[k];
        if (a < low) low = a;
        if (b > high) high = b;
      }
    });
    if (!(high >= low)) return verdicts ? rangeOf(track, first, last) : [0, 1];
    const room = Math.max((high - low) * (track.isLambda ? .15 : .06), track.isLambda ? .01 : 1);
    return [low - room, high + room];
  }

  // What only a new view changes is drawn once, beside the screen; the cursor moves over it.
  function draw(drive) {
    const canvas = drive.canvas, ratio = window.devicePixelRatio || 1;
    if (drive.isStale) drawBase(drive, canvas.clientWidth, ratio);
    const c = canvas.getContext("2d");
    c.setTransform(1, 0, 0, 1, 0, 0);
    c.clearRect(0, 0, canvas.width, canvas.height);
    c.drawImage(drive.base, 0, 0);
    c.setTransform(ratio, 0, 0, ratio, 0, 0);
    drawCursor(c, drive, drive.place);
  }

  function drawBase(drive, wide, ratio) {
    let high = AXIS;
    drive.data.tracks.forEach(function (track) {
      track.top = high - AXIS + (track.kind === "verdicts" ? 2 : GAP + 8);
      track.height = track.isLambda ? HEIGHTS.lambda : HEIGHTS[track.kind];
      high = track.top + track.height + AXIS;
    });
    drive.canvas.style.height = high + "px";
    [drive.canvas, drive.base].forEach(function (canvas) {
      canvas.width = Math.round(wide * ratio);
      canvas.height = Math.round(high * ratio);
    });
    const c = drive.base.getContext("2d");
    c.setTransform(ratio, 0, 0, ratio, 0, 0);
    c.font = "12px system-ui, 'Liberation Sans', Arial, sans-serif";
    const place = {
      left: LEFT, right: Math.max(LEFT + 10, wide - RIGHT), bottom: high - AXIS,
      x: function (t) { return LEFT + (t - from) / (to - from) * (this.right - LEFT); },
    };
    drive.place = place;
    const last = drive.time.length - 1;
    const begin = Math.max(0, firstAt(drive.time, from) - 1);
    const stop = Math.min(last, firstAt(drive.time, to));
    drawTimes(c, place);
    drive.data.tracks.forEach(function (track) {
      if (track.kind === "verdicts") drawVerdicts(c, drive, track, place, begin, stop);
      else drawTrack(c, drive, track, place, begin, stop);
    });
    drawAlarms(c, drive, place);
    drawParts(c, drive, place);
    drive.isStale = false;
  }

  function clipped(c, place, track, work) {
    c.save();
    c.beginPath();
    c.rect(place.left, track.top, place.right - place.left, track.height);
    c.clip();
    work();
    c.restore();
  }

  function drawTimes(c, place) {
    const step = niceStep(to - from, Math.max(2, (place.right - place.left) / 80), TIME_STEPS);
    c.textAlign = "center";
    for (let t = Math.ceil(from / step - 1e-9) * step; t <= to + 1e-9; t += step) {
      const x = place.x(t);
      c.strokeStyle = "#e4e4e4";
      c.beginPath(); c.moveTo(x, 0); c.lineTo(x, place.bottom); c.stroke();
      c.fillStyle = "#555";
      const half = c.measureText(clock(t, step < 1 ? 1 : 0)).width / 2;
      c.fillText(clock(t, step < 1 ? 1 : 0), Math.min(x, place.right + RIGHT - half), place.bottom + 17);
    }
  }

  function drawTrack(c, drive, track, place, begin, stop) {
    const range = rangeOf(track, begin, stop, track.verdicts), low = range[0], high = range[1];
    const scale = track.height / (high - low);
    const y = function (v) { return track.top + track.height - (v - low) * scale; };
    const step = niceStep(high - low, track.height / 26, numberSteps(high - low));
    c.textAlign = "right";
    for (let v = Math.ceil(low / step) * step; v <= high; v += step) {
      c.strokeStyle = "#e4e4e4";
      c.beginPath(); c.moveTo(place.left, y(v)); c.lineTo(place.right, y(v)); c.stroke();
      c.fillStyle = "#555";
      const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
      c.fillText(v.toFixed(digits), place.left - 4, y(v) + 4);
    }
    c.strokeStyle = "#bbb";
    c.strokeRect(place.left, track.top, place.right - place.left, track.height);
    clipped(c, place, track, function () {
      const clamp = function (v) { return y(Math.min(Math.max(v, low), high)); };
      track.lines.forEach(function (line) {
        if (line.errors) drawBand(c, drive, line, place, begin, stop, clamp);
      });
      track.lines.forEach(function (line) { drawLine(c, drive, line, place, begin, stop, clamp); });
    });
    c.textAlign = "left";
    c.fillStyle = "#00204d";
    c.fillText(track.label, place.left, track.top - 4);
  }

  // Of every column of dots least and most, so that no peak is lost.
  function drawLine(c, drive, line, place, begin, stop, y) {
    const channel = line.channel, time = drive.time;
    c.strokeStyle = STYLES[line.style];
    c.lineWidth = line.style === "ink" ? 1 : 1.4;
    c.setLineDash(line.style === "old" ? [5, 3] : []);
    c.beginPath();
    let column = -1, low = 0, high = 0, before = NaN, isDown = false;
    const put = function () {
      if (column < 0) return;
      if (isDown) c.lineTo(column, y(high)); else c.moveTo(column, y(high));
      if (low !== high) c.lineTo(column, y(low));
      else if (!isDown) c.lineTo(column + .7, y(low));
      isDown = true;
    };
    for (let k = begin; k <= stop; k++) {
      if (channel.lo[k] === NO_VALUE || time[k] - before > drive.gap) {
        put(); column = -1; isDown = false;
      }
      before = time[k];
      if (channel.lo[k] === NO_VALUE) continue;
      const x = Math.round(place.x(time[k]) * 2) / 2;
      const a = valueOf(channel, channel.lo, k), b = valueOf(channel, channel.hi, k);
      if (x === column) {
        if (a < low) low = a;
        if (b > high) high = b;
        continue;
      }
      put();
      column = x; low = a; high = b;
    }
    put();
    c.stroke();
    c.setLineDash([]);
    c.lineWidth = 1;
  }

  // Two standard errors to either side of a line, an upright a column of dots.
  function drawBand(c, drive, line, place, begin, stop, y) {
    c.fillStyle = BAND;
    const channel = line.channel, errors = line.errors;
    let done = -1;
    for (let k = begin; k <= stop; k++) {
      if (channel.lo[k] === NO_VALUE || errors.hi[k] === NO_VALUE) continue;
      const x = Math.floor(place.x(drive.time[k]));
      if (x === done) continue;
      done = x;
      const next = k < stop ? Math.min(drive.time[k + 1], drive.time[k] + drive.gap) : drive.time[k];
      const wide = Math.max(1, Math.floor(place.x(next)) - x);
      const off = 2 * valueOf(errors, errors.hi, k);
      const top = y(valueOf(channel, channel.hi, k) + off);
      c.fillRect(x, top, wide, Math.max(1, y(valueOf(channel, channel.lo, k) - off) - top));
    }
  }

  // A column of dots is coloured by the share of each verdict in it.
  function drawVerdicts(c, drive, track, place, begin, stop) {
    clipped(c, place, track, function () {
      let k = begin;
      while (k <= stop) {
        const x = Math.floor(place.x(drive.time[k]));
        const counts = new Map();
        let n = 0, end = drive.time[k];
        do {
          const code = track.places[k];
          counts.set(code, (counts.get(code) || 0) + 1);
          end = drive.time[k];
          n++; k++;
        } while (k <= stop && Math.floor(place.x(drive.time[k])) === x);
        const next = k <= stop ? Math.min(drive.time[k], end + drive.gap) : end;
        const wide = Math.max(1, Math.floor(place.x(next)) - x);
        let top = track.top;
        Array.from(counts.keys()).sort(function (a, b) { return a - b; }).forEach(function (code) {
          const share = track.height * counts.get(code) / n;
          c.fillStyle = track.verdicts[code].colour;
          c.fillRect(x, top, wide, share);
          top += share;
        });
      }
    });
  }

  function bottomOf(drive) {
    const track = drive.data.tracks[drive.data.tracks.length - 1];
    return track.top + track.height;
  }

  function drawAlarms(c, drive, place) {
    drive.data.alarms.forEach(function (alarm) {
      if (alarm.to < from || alarm.from > to) return;
      const a = Math.max(place.left, place.x(alarm.from)), b = Math.min(place.right, place.x(alarm.to));
      c.fillStyle = ALARM;
      c.fillRect(a, 0, Math.max(2, b - a), bottomOf(drive));
      c.fillStyle = ALARM_EDGE;
      c.beginPath(); c.moveTo(a - 5, 0); c.lineTo(a + 7, 0); c.lineTo(a + 1, 9); c.fill();
    });
  }

  function drawParts(c, drive, place) {
    if (drive.data.parts.length < 2) return;
    c.textAlign = "left";
    drive.data.parts.forEach(function (part) {
      if (part.at < from || part.at > to) return;
      const x = place.x(part.at);
      c.strokeStyle = "#555";
      c.setLineDash([2, 3]);
      c.beginPath(); c.moveTo(x, 0); c.lineTo(x, bottomOf(drive)); c.stroke();
      c.setLineDash([]);
      c.fillStyle = "#555";
      c.fillText(part.name, x + 3, drive.data.tracks[0].top + 12);
    });
  }

  function drawCursor(c, drive, place) {
    if (drag) {
      c.fillStyle = "rgba(0,32,77,.15)";
      c.fillRect(place.x(drag.from), 0, place.x(drag.to) - place.x(drag.from), bottomOf(drive));
    }
    if (cursor === null || cursor < from || cursor > to) return;
    c.strokeStyle = "#00204d";
    c.beginPath(); c.moveTo(place.x(cursor), 0); c.lineTo(place.x(cursor), bottomOf(drive)); c.stroke();
  }

  // --- values under the cursor -----------------------------------------------------------------

  function shown(line, k, digits) {
    const low = valueOf(line.channel, line.channel.lo, k);
    const high = valueOf(line.channel, line.channel.hi, k);
    if (isNaN(low)) return "–";
    const text = low.toFixed(digits) === high.toFixed(digits)
      ? low.toFixed(digits) : low.toFixed(digits) + " to " + high.toFixed(digits);
    if (!line.errors) return text;
    const error = valueOf(line.errors, line.errors.hi, k);
    return text + " ± " + (isNaN(error) ? "unknown" : error.toFixed(digits));
  }

  function put(parent, tag, text) {
    const node = document.createElement(tag);
    if (text !== undefined) node.textContent = text;
    parent.appendChild(node);
    return node;
  }

  function tell(drive) {
    const place = drive.values;
    place.textContent = "";
    const last = drive.time[drive.time.length - 1];
    if (cursor === null) return;
    if (cursor > last + drive.gap) { put(place, "p", "This drive is over."); return; }
    const k = nearest(drive, cursor);
    if (Math.abs(drive.time[k] - cursor) > Math.max(drive.gap, (to - from) / 400)) {
      put(place, "p", "No sample here.");
      return;
    }
    const tracks = drive.data.tracks;
    put(place, "p", "at " + clock(drive.time[k], 2) + ": " + tracks.slice(0, 2).map(function (track) {
      const parts = track.label.split(", ");
      return parts[0] + " " + shown(track.lines[0], k, track.digits) + " " + parts[1];
    }).join(", ") + alarmsAt(drive, cursor));
    const table = put(place, "table"), head = put(table, "tr");
    const names = tracks[2].lines.map(function (line) { return line.name; });
    ["bank", names[2], names[1], names[0], "verdict"].forEach(function (text) {
      put(head, "th", text);
    });
    for (let n = 2; n < tracks.length; n += 2) {
      const row = put(table, "tr"), lines = tracks[n].lines;
      put(row, "td", tracks[n + 1].label);
      put(row, "td", shown(lines[2], k, 3));
      put(row, "td", shown(lines[1], k, 3));
      put(row, "td", shown(lines[0], k, 3));
      const verdict = tracks[n + 1].verdicts[tracks[n + 1].places[k]];
      put(row, "td", verdict.texts.length ? "not learned: " + verdict.texts.join("; ") : "learned");
    }
  }

  function alarmsAt(drive, time) {
    return drive.data.alarms.filter(function (alarm) {
      return alarm.from <= time && time <= alarm.to;
    }).map(function (alarm) { return ". ALARM: " + alarm.text; }).join("");
  }

  // --- what moves view and cursor ---------------------------------------------------------------

  function redraw() {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(function () {
      waiting = false;
      drives.forEach(function (drive) { draw(drive); tell(drive); });
      document.getElementById("at").textContent =
        clock(from, to - from < 20 ? 1 : 0) + " to " + clock(to, to - from < 20 ? 1 : 0);
    });
  }

  function look(newFrom, newTo) {
    const span = Math.min(Math.max(newTo - newFrom, Math.min(.5, end)), end);
    const middle = (newFrom + newTo) / 2;
    from = Math.min(Math.max(0, middle - span / 2), end - span);
    to = from + span;
    redrawAll();
  }

  function redrawAll() {
    drives.forEach(function (drive) { drive.isStale = true; });
    redraw();
  }

  function zoom(factor) {
    const about = cursor !== null && cursor >= from && cursor <= to ? cursor : (from + to) / 2;
    look(about - (about - from) * factor, about + (to - about) * factor);
  }

  function shift(part) {
    look(from + part * (to - from), to + part * (to - from));
  }

  function moveTo(time) {
    cursor = Math.min(Math.max(0, time), end);
    const span = to - from;
    if (cursor < from) look(cursor - span / 4, cursor + 3 * span / 4);
    else if (cursor > to) look(cursor - 3 * span / 4, cursor + span / 4);
    else redraw();
  }

  function step(drive, count) {
    const k = cursor === null ? firstAt(drive.time, from) : nearest(drive, cursor) + count;
    moveTo(drive.time[Math.min(Math.max(0, k), drive.time.length - 1)]);
  }

  const ACTIONS = {
    in: function () { zoom(.5); }, out: function () { zoom(2); },
    left: function () { shift(-.5); }, right: function () { shift(.5); },
    all: function () { look(0, end); },
  };

  const KEYS = {
    "+": ACTIONS.in, "=": ACTIONS.in, "-": ACTIONS.out, "0": ACTIONS.all,
    PageUp: ACTIONS.left, PageDown: ACTIONS.right,
    Home: function () { moveTo(0); }, End: function () { moveTo(end); },
  };

  function timeAt(drive, event) {
    const x = event.clientX - drive.canvas.getBoundingClientRect().left, place = drive.place;
    const share = (x - place.left) / (place.right - place.left);
    return from + Math.min(Math.max(share, 0), 1) * (to - from);
  }

  drives.forEach(function (drive) {
    const canvas = drive.canvas;
    canvas.addEventListener("pointermove", function (event) {
      cursor = timeAt(drive, event);
      if (drag) drag.to = cursor;
      redraw();
    });
    canvas.addEventListener("pointerdown", function (event) {
      cursor = timeAt(drive, event);
      if (event.pointerType === "mouse" && event.button === 0) {
        drag = { from: cursor, to: cursor };
        canvas.setPointerCapture(event.pointerId);
      }
      redraw();
    });
    canvas.addEventListener("pointerup", function () {
      const done = drag;
      drag = null;
      if (done && Math.abs(done.to - done.from) > (to - from) * .01) {
        look(Math.min(done.from, done.to), Math.max(done.from, done.to));
      }
      redraw();
    });
    canvas.addEventListener("pointercancel", function () { drag = null; redraw(); });
    canvas.addEventListener("dblclick", ACTIONS.all);
    canvas.addEventListener("keydown", function (event) {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      const count = event.shiftKey ? 25 : 1;
      if (event.key === "ArrowLeft") step(drive, -count);
      else if (event.key === "ArrowRight") step(drive, count);
      else if (KEYS[event.key]) KEYS[event.key]();
      else return;
      event.preventDefault();
    });
  });

  document.querySelectorAll("button[data-do]").forEach(function (button) {
    button.addEventListener("click", ACTIONS[button.dataset.do]);
  });
  document.querySelectorAll("button[data-from]").forEach(function (button) {
    button.addEventListener("click", function () {
      const at = Number(button.dataset.from), until = Number(button.dataset.to);
      cursor = at;
      look(at - 5, Math.max(until, at) + 5);
      button.closest("section").querySelector("canvas").scrollIntoView({ block: "nearest" });
    });
  });
  window.addEventListener("resize", redrawAll);
  redraw();
})();
