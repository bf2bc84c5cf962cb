// The page of a run: shows what the run says, and says at once when that is no longer news.
// Words, numbers and shades come ready-made; here they are put into their places.
"use strict";

const $ = (id) => document.getElementById(id);
const QUIET_MS = 2500;      // the run speaks every second at least: so long without is a lost line
const AGAIN_MS = 2000;      // until a line that broke for good is tried again
const TICK_MS = 250;
const CLOSE_SPAN = 5;
const STOP = "STOP", WAITING = "WAITING", LEARNING = "LEARNING";

const have = {};            // the run's parts, the newest of each
const line = { at: performance.now(), age: 0, least: Infinity, late: 0, down: true, ever: false };
const mine = { layer: 2, bank: 0, picked: null, large: false, seen: {}, phase: "before" };
const sound = { context: null, stopAt: -Infinity, sounded: "", state: "", since: 0, lost: false };
let source = null;

// -- words -------------------------------------------------------------------------------------

function put(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

function made(tag, text, kind) {
  const node = document.createElement(tag);
  if (text !== undefined) node.textContent = text;
  if (kind) node.className = kind;
  return node;
}

function fill(node, children) {
  node.replaceChildren(...children);
}

function listed(node, texts, tag) {
  fill(node, texts.map((text) => made(tag, text)));
}

// -- the line ----------------------------------------------------------------------------------

function connect() {
  source = new EventSource("events");
  source.onmessage = (event) => take(JSON.parse(event.data));
  source.onerror = () => {
    line.down = true;
    if (source.readyState === EventSource.CLOSED) {
      source.close();
      setTimeout(connect, AGAIN_MS);
    }
    tick();
  };
}

function take(message) {
  const now = performance.now();
  // How much later than the quickest message this one has come.
  line.least = Math.min(line.least, now - message.clock_ms);
  line.late = now - message.clock_ms - line.least;
  Object.assign(line, { at: now, age: message.age_ms, down: false, ever: true });
  const parts = message.parts;
  if (parts.hello && have.hello && parts.hello.run !== have.hello.run) {
    location.reload();      // another run stands here now
    return;
  }
  mine.phase = message.phase;
  Object.assign(have, parts);
  if (parts.hello) begin();
  show(parts);
  if (message.phase === "over") source.close();
  tick();
}

function ageMs() {
  return performance.now() - line.at + line.age + line.late;
}

function trouble() {
  if (mine.phase === "over") return "";
  const age = `${(ageMs() / 1000).toFixed(0)} s`;
  if (!line.ever) return line.down ? "CONNECTING: nothing has arrived yet." : "";
  if (line.down || performance.now() - line.at > QUIET_MS) {
    return `CONNECTION LOST: this is old, the last news came ${age} ago. Trying again.`;
  }
  if (mine.phase !== "running" || ageMs() <= QUIET_MS) return "";
  return `NO NEWS FROM THE RUN for ${age}: what is shown is old.`;
}

// -- what is shown -----------------------------------------------------------------------------

function begin() {
  const hello = have.hello;
  put($("title"), hello.title);
  mine.seen = kept(hello.run);
  document.body.classList.add(hello.kind);
  $("learn").hidden = !hello.layers;
  if (!hello.layers) return;
  const rows = hello.banks.length * (hello.loads.length + 3);
  document.documentElement.style.setProperty(
    "--row", `clamp(17px, calc((100vh - 17rem) / ${rows}), 34px)`);
  fill($("layers"), hello.layers.map((name, k) => chooser(name, "layer", k)));
  fill($("banks"), hello.banks.map((name, k) => chooser(name, "bank", k)));
  $("banks").hidden = hello.banks.length < 2;
  fill($("maps"), hello.banks.map((_, bank) => emptyMap(bank)));
  put($("legend"), "Framed: where the engine is. Underlined: where to go next. Choose a cell (tap, " +
    "or arrow keys) for its numbers.");
}

function chooser(name, what, number) {
  const button = made("button", name);
  button.type = "button";
  button.onclick = () => { mine[what] = number; draw(); };
  return button;
}

function show(parts) {
  if (parts.head) listed($("head"), have.head, "span");
  if (parts.spent) put($("spent"), have.spent);
  if (parts.cause) showCause(have.cause);
  if (parts.advice) {
    put($("next"), have.advice.lines[0]);
    put($("left"), have.advice.lines[1]);
  }
  if (parts.outcome) showOutcome(have.outcome);
  if (parts.hello || parts.maps || parts.landed || parts.point || parts.advice) draw();
}

function showCause(cause) {
  $("cause").hidden = !cause.line;
  put($("cause-line"), cause.line);
  listed($("cause-page"), cause.page.filter((text) => text), "p");
}

function showOutcome(outcome) {
  $("outcome").hidden = false;
  document.body.classList.add("over");
  $("ended").hidden = false;
  put($("ended"), `THE RUN HAS ENDED, at ${outcome.at}: what is shown is its last picture.`);
  listed($("warnings"), outcome.warnings, "li");
  listed($("lines"), outcome.lines, "li");
  fill($("rows"), outcome.rows.map((cells, row) => {
    const node = made("tr");
    cells.forEach((text, k) => node.append(made(k && row ? "td" : "th", text)));
    return node;
  }));
}

// -- maps --------------------------------------------------------------------------------------

const isNarrow = () => matchMedia("(max-width: 640px)").matches;

// Rows from the highest load down, so that pressure grows upwards, as on a graph.
function table(node, rows, columns) {
  const cells = [];
  const body = [made("tr")];
  body[0].append(made("th"), ...columns.map(() => made("th")));
  for (const row of [...rows].reverse()) {
    const line = made("tr");
    line.append(made("th", have.hello.loads[row]));
    for (const column of columns) {
      const cell = made("td");
      cell.dataset.at = `${row},${column}`;
      line.append(cell);
      cells.push({ cell, row, column, kind: "" });
    }
    body.push(line);
  }
  fill(node, body);
  node.speeds = columns.map((column, k) => ({ node: body[0].children[k + 1], column }));
  node.cells = cells;
}

const counted = (list) => list.map((_, k) => k);

function emptyMap(bank) {
  const section = made("section", undefined, "map");
  const heading = made("h2");
  heading.append(made("span"), made("span", undefined, "scale"));
  const cells = made("table", undefined, "cells");
  cells.tabIndex = 0;
  table(cells, counted(have.hello.loads), counted(have.hello.speeds));
  cells.onclick = (event) => pickFrom(event, bank);
  cells.onkeydown = (event) => move(event, bank);
  section.append(heading, cells);
  return section;
}

function pickFrom(event, bank) {
  const at = event.target.dataset.at;
  if (at) pick(...at.split(",").map(Number), bank);
}

function pick(row, column, bank) {
  mine.picked = [row, column];
  mine.bank = bank;
  draw();
}

function move(event, bank) {
  const step = { ArrowUp: [1, 0], ArrowDown: [-1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1] }[event.key];
  if (event.key === "Escape") unpick();
  if (!step) return;
  event.preventDefault();
  const [row, column] = centre();
  pick(within(row + step[0], have.hello.loads), within(column + step[1], have.hello.speeds), bank);
}

const within = (k, list) => Math.min(Math.max(k, 0), list.length - 1);

function unpick() {
  mine.picked = null;
  draw();
}

function centre() {
  const [row, column] = mine.picked || have.point || [0, 0];
  return [Math.max(row, 0), Math.max(column, 0)];
}

function layerOf(number, bank) {
  if (number === have.hello.layers.length - 1) return have.landed && have.landed[bank];
  return have.maps && have.maps.layers[number][bank];
}

function draw() {
  const hello = have.hello;
  if (!hello || !hello.layers) return;
  [...$("layers").children].forEach((one, k) => one.setAttribute("aria-pressed", k === mine.layer));
  [...$("banks").children].forEach((one, k) => one.setAttribute("aria-pressed", k === mine.bank));
  hello.banks.forEach((name, bank) => {
    const layer = layerOf(mine.layer, bank);
    const section = $("maps").children[bank];
    section.classList.toggle("chosen", bank === mine.bank);
    if (layer) drawMap(section, name, layer);
  });
  const layer = layerOf(mine.layer, mine.bank);
  if (layer) drawClose(layer);
}

function titleOf(name, layer) {
  const bank = have.hello.banks.length > 1 ? `${name}: ` : "";
  return `${bank}${layer.title}${layer.unit ? `, ${layer.unit}` : " (the first estimate follows)"}`;
}

function drawMap(section, name, layer) {
  const thousands = isNarrow();
  const speed = thousands ? "rpm / 1000" : "rpm";
  put(section.children[0].children[0],
    `${titleOf(name, layer)}; up: ${have.hello.load_unit}, across: ${speed}`);
  drawScale(section.children[0].children[1], layer);
  drawCells(section.children[1], layer, thousands);
}

function drawScale(node, layer) {
  const said = layer.ends.join(" ");
  if (node.said === said || !layer.unit) return;
  node.said = said;
  const steps = [0, 2, 4, 6, 8, 10, 12, 14, 16].map((k) => made("i", undefined, `s${k}`));
  fill(node, [made("span", layer.ends[0]), ...steps, made("span", layer.ends[1])]);
}

function drawCells(node, layer, thousands) {
  const hello = have.hello;
  for (const one of node.speeds) put(one.node, (thousands ? hello.thousands : hello.speeds)[one.column]);
  const aim = have.advice && have.advice.cells;
  const [atRow, atColumn] = have.point || [-1, -1];
  for (const one of node.cells) {
    const k = one.row * hello.speeds.length + one.column;
    let kind = layer.shades[k] < 0 ? "" : `s${layer.shades[k]}`;
    if (one.row === atRow && one.column === atColumn) kind += " here";
    if (mine.picked && one.row === mine.picked[0] && one.column === mine.picked[1]) kind += " picked";
    if (aim && isIn(aim[0], one.row) && isIn(aim[1], one.column)) kind += " aim";
    if (one.kind !== kind) one.cell.className = one.kind = kind;
    put(one.cell, layer.numbers[k]);
  }
}

const isIn = (ends, k) => k >= ends[0] && k <= ends[1];

function around(middle, count) {
  const first = Math.min(Math.max(middle - Math.floor(CLOSE_SPAN / 2), 0), Math.max(count - CLOSE_SPAN, 0));
  return counted(Array(Math.min(CLOSE_SPAN, count)).fill(0)).map((k) => first + k);
}

function drawClose(layer) {
  const hello = have.hello;
  const [row, column] = centre();
  const node = $("close-map");
  node.className = "cells";
  const place = `${row},${column}`;
  if (node.place !== place || !node.cells || !node.cells[0].cell.isConnected) {
    node.place = place;
    table(node, around(row, hello.loads.length), around(column, hello.speeds.length));
  }
  drawCells(node, layer, false);
  node.onclick = (event) => pickFrom(event, mine.bank);
  put($("close-title"), titleOf(hello.banks[mine.bank], layer));
  $("follow").hidden = !mine.picked;
  drawNumbers(row, column);
}

function drawNumbers(row, column) {
  const hello = have.hello;
  const k = row * hello.speeds.length + column;
  const rows = hello.layers.map((name, number) => {
    const layer = layerOf(number, mine.bank);
    if (!layer) return [name, ""];
    const number_ = layer.numbers[k];
    return [layer.title, number_ === "." ? "–" : `${number_} ${layer.unit}`];
  });
  const said = have.maps && have.maps.corrections[mine.bank];
  if (said) {
    const at = hello.layers.indexOf("correction");
    rows[at] = ["correction ± standard error", said[k] || "never visited"];
  }
  const what = mine.picked ? "chosen cell" : "nearest cell";
  rows.unshift([what, `${hello.speeds[column]} rpm, ${hello.loads[row]} ${hello.load_unit}`]);
  fill($("cell"), rows.map(([name, text]) => {
    const node = made("tr");
    node.append(made("th", name), made("td", text));
    return node;
  }));
}

// -- alarms ------------------------------------------------------------------------------------

// What is over is past: it stands in the outcome, and calls nobody any more.
function unseen() {
  if (mine.phase === "over") return [];
  return (have.alarms || []).filter((one) => !(mine.seen[one.kind] && mine.seen[one.kind].id >= one.id));
}

function see(one) {
  mine.seen[one.kind] = { id: one.id, at: Date.now() };
  keep(have.hello.run, mine.seen);
  tick();
}

// A browser may forbid to keep anything: then a reload shows what was seen once more.
function kept(run) {
  try {
    return JSON.parse(sessionStorage.getItem(run) || "{}");
  } catch {
    return {};
  }
}

function keep(run, seen) {
  try {
    sessionStorage.setItem(run, JSON.stringify(seen));
  } catch { /* as above */ }
}

// A cause that stays is called again.
function remind() {
  for (const one of have.alarms || []) {
    const seen = mine.seen[one.kind];
    if (seen && one.on && Date.now() - seen.at > 1000 * have.hello.again_s) delete mine.seen[one.kind];
  }
}

// What stands there already stays, so that a finger on its button meets it.
function showAlarms() {
  const fresh = unseen();
  const there = new Map([...$("alarms").children].map((node) => [node.dataset.what, node]));
  const others = (have.alarms || []).filter((one) => !fresh.includes(one));
  const lead = mine.phase === "over" ? "in the run" : "seen here";
  const nodes = [...fresh, ...others].map((one) => {
    const isFresh = fresh.includes(one);
    const what = `${one.kind} ${isFresh}`;
    const node = there.get(what) || (isFresh ? banner(one) : made("p", "", "alarm seen"));
    node.dataset.what = what;
    if (isFresh) node.lastChild.onclick = () => see(one);
    put(isFresh ? node.firstChild : node, isFresh ? wordsOf(one) : `${lead}: ${wordsOf(one)}`);
    return node;
  });
  const isSame = nodes.length === there.size && nodes.every((node, k) => node === $("alarms").children[k]);
  if (!isSame) fill($("alarms"), nodes);
}

function wordsOf(one) {
  return `${have.hello.leads[one.state]}: ${one.text}${one.again ? ` (${one.again})` : ""}`;
}

function banner(one) {
  const node = made("div", undefined, `alarm ${one.state}`);
  const button = made("button", "seen");
  button.type = "button";
  node.append(made("span"), button);
  return node;
}

// -- state and sound ---------------------------------------------------------------------------

function showState(lost) {
  const state = have.state;
  if (!state) return;
  const stop = unseen().find((one) => one.state === STOP);
  const word = stop ? STOP : state.calm[0];
  const isEnded = mine.phase === "ended" || mine.phase === "over";
  const shown = lost ? "LOST" : isEnded && !stop ? "ENDED" : word;
  put($("word"), (shown === word && !stop && state.word) || shown);
  // Nobody is told to hold it where all is to stop, and a lost line's words are not of now.
  const alarm = mine.large && stop ? stop.text : have.hello.stop_first;
  const said = lost ? [lost, ""] : stop ? [alarm, state.verdict[0]] : state.verdict;
  put($("verdict"), said[0]);
  put($("to-do"), said[1]);
  $("state").className = shown;
  document.title = `${$("word").textContent} – ${have.hello ? have.hello.title : "breathmap"}`;
  ring(word, lost);
}

// One tone for each state that lasts on the operator's page; STOP always, at once and again;
// an alarm to look at, and a lost line, once.
function ring(word, lost) {
  const now = performance.now() / 1000;
  if (lost) {
    if (!sound.lost && line.ever) play(WAITING);
    sound.lost = true;
    return;
  }
  sound.lost = false;
  if (word === STOP) {
    if (now - sound.stopAt >= have.hello.stop_again_s) {
      sound.stopAt = now;
      play(STOP);
    }
  }
  ringForAlarms();
  if (word !== sound.state) Object.assign(sound, { state: word, since: now });
  if (word === STOP) sound.sounded = word;
  if (word === sound.sounded || now - sound.since < have.hello.steady_s) return;
  sound.sounded = word;
  if (mine.large) play(word);
}

function ringForAlarms() {
  const fresh = unseen().filter((one) => one.state !== STOP).map((one) => `${one.kind}/${one.id}`);
  if (fresh.some((one) => !(sound.fresh || []).includes(one))) play(WAITING);
  sound.fresh = fresh;
}

function play(state) {
  const context = sound.context;
  $("sound").dataset.last = state;
  if (!have.hello || !context || context.state !== "running") return;
  const tone = have.hello.tones[state];
  for (let k = 0; k < tone.bells; k += 1) beep(context, tone.pitch_hz, context.currentTime + 0.02 + k * tone.gap_s);
}

function beep(context, pitch, at) {
  const tone = context.createOscillator();
  const loud = context.createGain();
  tone.frequency.value = pitch;
  tone.type = "triangle";
  loud.gain.setValueAtTime(0, at);
  loud.gain.linearRampToValueAtTime(0.8, at + 0.01);
  loud.gain.setValueAtTime(0.8, at + 0.14);
  loud.gain.linearRampToValueAtTime(0, at + 0.18);
  tone.connect(loud).connect(context.destination);
  tone.start(at);
  tone.stop(at + 0.2);
}

function unlock() {
  sound.context = sound.context || new AudioContext();
  sound.context.resume().then(() => {
    showSound();
    if (have.hello) play(LEARNING);
  });
}

function showSound() {
  const isOn = Boolean(sound.context && sound.context.state === "running");
  $("sound").setAttribute("aria-pressed", isOn);
  put($("sound"), isOn
    ? "Sound is on: four fast tones, again and again, mean stop now; two slow ones mean look."
    : "Sound is off, alarms are only seen: tap here once to hear them.");
}

function enlarge() {
  mine.large = !mine.large;
  document.body.classList.toggle("large", mine.large);
  $("big").setAttribute("aria-pressed", mine.large);
  put($("big"), mine.large ? "back to the maps" : "large");
  tick();
}

// -- the clock ---------------------------------------------------------------------------------

function tick() {
  const lost = trouble();
  document.body.classList.toggle("old", Boolean(lost));
  $("lost").hidden = !lost;
  put($("lost"), lost);
  remind();
  showAlarms();
  showState(lost);
  showSound();
}

$("sound").onclick = unlock;
$("big").onclick = enlarge;
$("follow").onclick = unpick;
matchMedia("(max-width: 640px)").onchange = draw;
showSound();
connect();
setInterval(tick, TICK_MS);
