// The listening check: one item at a time, by button or key, kept in this browser until it is saved as CSV.
(() => {
  "use strict";
  const data = JSON.parse(document.getElementById("listen-data").textContent);
  const store = `listening:${data.sample_id}`;
  const $ = (id) => document.getElementById(id);
  const player = $("sound"), slow = $("slow-sound");
  const state = { at: 0, listener: "", answers: {}, saved: true };
  const kinds = data.kinds;

  const load = () => {
    try {
      const kept = JSON.parse(localStorage.getItem(store) || "null");
      if (kept) { Object.assign(state, kept); }
    } catch (error) { say("This browser keeps nothing between visits: save the CSV before you close the page."); }
  };
  const keep = () => { try { localStorage.setItem(store, JSON.stringify(state)); } catch (error) { /* said at loading */ } };
  const say = (text) => { $("message").textContent = text; };
  const item = () => data.items[state.at];
  const answer = () => state.answers[item().item_id] || (state.answers[item().item_id] = { verdict: "", kind: "", comment: "", judged_on: "", from_s: null, to_s: null });
  const touched = () => { state.saved = false; answer().judged_on = data.today || new Date().toISOString().slice(0, 10); keep(); show(); };

  const show = () => {
    const one = item(), said = answer(), judged = said.verdict !== "";
    $("place").textContent = `Excerpt ${state.at + 1} of ${data.items.length}`;
    const done = Object.values(state.answers).filter((a) => a.verdict).length;
    $("done").textContent = `${done} judged${state.saved ? "" : ", not yet saved"}`;
    $("bar").value = done;
    $("known").textContent = known();
    document.querySelectorAll("button[data-verdict]").forEach((b) => b.setAttribute("aria-pressed", String(b.dataset.verdict === said.verdict)));
    document.querySelectorAll("button[data-kind]").forEach((b) => { b.setAttribute("aria-pressed", String(b.dataset.kind === said.kind)); b.disabled = said.verdict !== "slide"; });
    $("comment").value = said.comment;
    $("asked").textContent = one.asked;
    $("question").textContent = one.stretch ? "Is there a slide in the shaded stretch?" : "Is there a slide at the shaded change?";
    $("marks").hidden = said.verdict !== "slide";
    for (const [id, value] of [["mark-start", said.from_s ?? one.asked_from_s], ["mark-end", said.to_s ?? one.asked_to_s]]) { $(id).max = one.length_s.toFixed(2); $(id).value = value.toFixed(2); }
    $("marked").textContent = said.from_s === null ? "" : `Marked from ${said.from_s.toFixed(2)} s to ${said.to_s.toFixed(2)} s of this excerpt${here(one, said) ? "." : ": elsewhere, which counts as no slide at the shaded place (N, then S takes the marks away)."}`;
    $("marked").classList.toggle("elsewhere", !here(one, said));
    place("strip-asked", one.asked_from_s, one.asked_to_s);
    place("strip-heard", said.from_s ?? 0, said.from_s === null ? 0 : said.to_s);
    $("ours").textContent = judged ? one.ours : "Hidden until you have judged.";
    const drawing = $("drawing");
    if (drawing.dataset.item !== one.item_id) { drawing.dataset.item = one.item_id; drawing.hidden = true; drawing.innerHTML = ""; $("picture").setAttribute("aria-expanded", "false"); }
    if (!player.src.endsWith(one.sound)) { player.src = one.sound; slow.src = one.slow_sound; }
  };
  // Whether a slide heard lies at the place asked about; unmarked, it is taken to.
  const here = (one, said) => said.from_s === null || (said.from_s < one.asked_to_s && said.to_s > one.asked_from_s);
  const place = (id, from, to) => { const scale = 1000 / item().length_s; $(id).setAttribute("x", from * scale); $(id).setAttribute("width", Math.max(0, to - from) * scale); };
  // Standard normal draws, the same at each visit: Box and Muller over a linear congruence (Numerical Recipes' constants).
  const DRAWS = 1500;
  const normals = (() => {
    let seed = 1;
    const uniform = () => { seed = (Math.imul(seed, 1664525) + 1013904223) >>> 0; return (seed + 0.5) / 4294967296; };
    return Array.from({ length: DRAWS }, () => Array.from({ length: 4 }, () => Math.sqrt(-2 * Math.log(uniform())) * Math.cos(2 * Math.PI * uniform())));
  })();
  // How closely the slides there are for each find are known by the answers so far: the model of stats/detection.py,
  // all sounds taken together, with normal draws for those of a beta and a Poisson distribution.
  const known = () => {
    const model = data.model, logit = (p) => Math.log(p / (1 - p)), chance = (x) => 1 / (1 + Math.exp(-x));
    const finds = [], changes = [];
    for (const one of data.items) {
      const said = state.answers[one.item_id];
      if (!model || one.again || !said || !said.verdict || said.verdict === "cannot_tell") continue;
      const slide = said.verdict === "slide" && here(one, said) ? 1 : 0;
      if (one.drawn_from === "slide") finds.push([one.stands_for, slide]);
      if (one.drawn_from === "transition") changes.push([logit(Math.min(Math.max(one.chance, 1e-4), 1 - 1e-4)), slide]);
    }
    if (!finds.length || !changes.length) return "";
    const sum = (rows, f) => rows.reduce((total, row) => total + f(row), 0);
    const weight = sum(finds, ([w]) => w), worth = weight ** 2 / sum(finds, ([w]) => w * w);
    const right = (sum(finds, ([w, y]) => w * y) / weight * worth + 0.5) / (worth + 1);
    const [[mean, sd], [mean_slope, sd_slope]] = model.priors;
    let at = mean, slope = mean_slope, aa = 0, as = 0, ss = 0;
    for (let pass = 0; pass < 60; pass++) {  // Newton's way to the mode, in short steps
      let da = (at - mean) / sd ** 2, ds = (slope - mean_slope) / sd_slope ** 2;
      aa = 1 / sd ** 2; as = 0; ss = 1 / sd_slope ** 2;
      for (const [x, y] of changes) { const p = chance(at + slope * x), v = p * (1 - p); da += p - y; ds += (p - y) * x; aa += v; as += v * x; ss += v * x * x; }
      const det = aa * ss - as * as, by = (ss * da - as * ds) / det, turn = (aa * ds - as * da) / det;
      const step = Math.min(1, 1 / Math.max(Math.abs(by), 4 * Math.abs(turn), 1e-9));
      at -= step * by; slope -= step * turn;
    }
    const det = aa * ss - as * as, spread = Math.sqrt(ss / det), along = -as / det / spread, rest = Math.sqrt(1 / ss);
    const error = Math.sqrt(right * (1 - right) / (worth + 2));
    const drawn = normals.map(([u, v, w, z]) => {
      const a = at + spread * u, b = slope + along * u + rest * v;
      const missed = sum(model.changes, ([x, number]) => number * chance(a + b * x));
      return Math.min(Math.max(right + error * w, 0), 1) + Math.max(missed + Math.sqrt(missed) * z, 0) / model.finds;
    }).sort((x, y) => x - y);
    const within = Math.sqrt(drawn[Math.floor(0.975 * DRAWS)] / drawn[Math.floor(0.025 * DRAWS)]) - 1;
    const said = `How many slides there are for each find is known to within about ${(100 * within).toFixed(0)} %; wanted: ${(100 * model.within).toFixed(0)} %.`;
    return within <= model.within && finds.length >= model.least_finds ? `${said} That is reached: you may save and stop here.` : said;
  };
  const silence = () => { player.pause(); slow.pause(); };
  const AROUND_S = 0.25;  // the place alone is played with this much before and after it
  // Each way to hear an excerpt: the sound, where the excerpt begins in it, and how many times slower it runs.
  const WAYS = { full: () => [player, 0, 1], half: () => [slow, 0, 2], quarter: () => [slow, item().quarter_from_s, 4] };
  let running = null;
  const play = (way, alone) => {
    silence();
    const [sound, begins, slower] = WAYS[way](), one = item();
    const from = alone ? Math.max(0, one.asked_from_s - AROUND_S) : 0, to = alone ? Math.min(one.length_s, one.asked_to_s + AROUND_S) : one.length_s;
    running = { sound, begins, slower, until: begins + to * slower };
    sound.currentTime = begins + from * slower;
    sound.play().catch(() => say("The sound could not be played: is the folder “sound” beside this page?"));
  };
  // Where the sound stands, in seconds of the excerpt at speed.
  const now = () => (running && running.sound === slow ? (slow.currentTime - running.begins) / running.slower : player.currentTime);
  const follow = () => {
    if (running && !running.sound.paused && running.sound.currentTime >= running.until) running.sound.pause();
    const x = now() * 1000 / item().length_s;
    $("strip-cursor").setAttribute("x1", x); $("strip-cursor").setAttribute("x2", x);
    requestAnimationFrame(follow);
  };
  const go = (step) => { silence(); running = null; state.at = Math.min(Math.max(state.at + step, 0), data.items.length - 1); keep(); show(); say(""); };
  const judge = (verdict) => { const a = answer(); a.verdict = verdict; if (verdict !== "slide") { a.kind = ""; } a.from_s = a.to_s = null; touched(); };
  const setKind = (kind) => { if (answer().verdict === "slide") { answer().kind = answer().kind === kind ? "" : kind; touched(); } };
  const mark = (end, at) => {
    const a = answer(), one = item();
    if (a.verdict !== "slide") return;
    const bounds = { from_s: a.from_s ?? one.asked_from_s, to_s: a.to_s ?? one.asked_to_s };
    bounds[end] = Math.min(Math.max(at, 0), one.length_s);
    if (bounds.to_s - bounds.from_s < 0.01) { if (end === "from_s") bounds.to_s = Math.min(bounds.from_s + 0.1, one.length_s); else bounds.from_s = Math.max(bounds.to_s - 0.1, 0); }
    Object.assign(a, bounds);
    touched();
  };
  const picture = () => { const d = $("drawing"); d.hidden = !d.hidden; $("picture").setAttribute("aria-expanded", String(!d.hidden)); if (!d.hidden && !d.innerHTML) d.replaceChildren(document.getElementById(`picture-${item().item_id}`).content.cloneNode(true)); };

  const HEAD = ["transfer_id", "samples_sha256", "transfer_start_s", "transfer_end_s", "verdict", "kind", "listener", "judged_on", "sample_id", "item_id", "comment"];
  const cell = (value) => { const text = String(value ?? ""); return /[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text; };
  const lines = () => {
    const made = [HEAD.join(",")];
    for (const one of data.items) {
      const a = state.answers[one.item_id];
      if (!a || !a.verdict) continue;
      const row = (start, end, verdict, kind, sample, item) => [one.transfer_id, one.samples_sha256, start.toFixed(6), end.toFixed(6), verdict, kind, state.listener, a.judged_on, sample, item, a.comment].map(cell).join(",");
      const counts = a.verdict !== "slide" || here(one, a);
      made.push(row(one.transfer_start_s, one.transfer_end_s, counts ? a.verdict : "no_slide", counts ? a.kind : "", data.sample_id, one.item_id));
      if (a.verdict === "slide" && a.from_s !== null) {
        const heard = (s) => one.clip_start_s + s * one.transfer_per_corrected;
        made.push(row(heard(a.from_s), heard(a.to_s), "slide", a.kind, "", ""));
      }
    }
    return made.join("\r\n") + "\r\n";
  };
  const save = () => {
    const name = $("listener").value.trim().toLowerCase();
    if (!/^[a-z0-9][a-z0-9_-]{0,63}$/.test(name)) { say("Write your name for the file first: small letters, digits, - and _."); $("listener").focus(); return; }
    state.listener = name;
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([lines()], { type: "text/csv" }));
    link.download = `${data.sample_id}-${name}.csv`;
    document.body.append(link); link.click(); link.remove();
    state.saved = true; keep(); show();
    say(`Saved as ${link.download}. Take it in with: glideline listen DIR --take-in ${link.download}`);
  };
  const parse = (text) => {
    const rows = []; let row = [], field = "", quoted = false;
    for (let i = 0; i < text.length; i++) {
      const c = text[i];
      if (quoted) { if (c === '"') { if (text[i + 1] === '"') { field += '"'; i++; } else quoted = false; } else field += c; }
      else if (c === '"') quoted = true;
      else if (c === ",") { row.push(field); field = ""; }
      else if (c === "\n") { row.push(field.replace(/\r$/, "")); rows.push(row); row = []; field = ""; }
      else field += c;
    }
    if (field || row.length) { row.push(field); rows.push(row); }
    return rows;
  };
  const resume = async (file) => {
    const [head, ...rows] = parse(await file.text());
    if (!head || head.join() !== HEAD.join()) { say("That file was not saved by this page."); return; }
    let taken = 0, one = null;
    for (const row of rows) {
      const r = Object.fromEntries(HEAD.map((name, n) => [name, row[n] ?? ""]));
      if (r.sample_id === data.sample_id) {
        one = data.items.find((i) => i.item_id === r.item_id) || null;
        if (!one) continue;
        state.answers[one.item_id] = { verdict: r.verdict, kind: r.kind, comment: r.comment, judged_on: r.judged_on, from_s: null, to_s: null };
        state.listener = r.listener; taken += 1;
      } else if (one && r.sample_id === "" && r.transfer_id === one.transfer_id) {  // the brackets of the item above it
        const within = (s) => (Number(s) - one.clip_start_s) / one.transfer_per_corrected;
        Object.assign(state.answers[one.item_id], { verdict: "slide", kind: r.kind, from_s: within(r.transfer_start_s), to_s: within(r.transfer_end_s) });
      }
    }
    $("listener").value = state.listener; keep(); show();
    say(`${taken} verdicts read from ${file.name}.`);
  };

  document.querySelectorAll("button[data-verdict]").forEach((b) => b.addEventListener("click", () => judge(b.dataset.verdict)));
  document.querySelectorAll("button[data-kind]").forEach((b) => b.addEventListener("click", () => setKind(b.dataset.kind)));
  $("play-alone").addEventListener("click", () => play("full", true));
  $("play").addEventListener("click", () => play("full", false));
  $("play-slow").addEventListener("click", () => play("half", true));
  $("play-slower").addEventListener("click", () => play("quarter", true));
  $("mark-start").addEventListener("input", (event) => mark("from_s", Number(event.target.value)));
  $("mark-end").addEventListener("input", (event) => mark("to_s", Number(event.target.value)));
  // A dragged bracket lets the arrow keys go again; one reached by the keyboard keeps them.
  for (const id of ["mark-start", "mark-end"]) $(id).addEventListener("pointerup", (event) => event.target.blur());
  $("mark-start-here").addEventListener("click", () => mark("from_s", now()));
  $("mark-end-here").addEventListener("click", () => mark("to_s", now()));
  $("picture").addEventListener("click", picture);
  $("back").addEventListener("click", () => go(-1));
  $("next").addEventListener("click", () => go(1));
  $("save").addEventListener("click", save);
  $("resume").addEventListener("change", (event) => { if (event.target.files[0]) resume(event.target.files[0]); });
  $("comment").addEventListener("change", (event) => { answer().comment = event.target.value; touched(); });
  $("listener").addEventListener("change", (event) => { state.listener = event.target.value.trim().toLowerCase(); keep(); });
  document.addEventListener("keydown", (event) => {
    if ((/^(INPUT|TEXTAREA|SELECT)$/.test(event.target.tagName) && event.target.type !== "range") || event.ctrlKey || event.metaKey || event.altKey) return;
    const key = event.key.toLowerCase();
    if (event.target.type === "range" && key.startsWith("arrow")) return;  // moves the bracket
    const acts = { s: () => judge("slide"), n: () => judge("no_slide"), c: () => judge("cannot_tell"), h: () => play("full", true), j: () => play("full", false), k: () => play("half", true), l: () => play("quarter", true), v: picture, "[": () => mark("from_s", now()), "]": () => mark("to_s", now()), arrowright: () => go(1), arrowleft: () => go(-1) };
    const number = Number(key);
    if (number >= 1 && number <= kinds.length) { setKind(kinds[number - 1]); event.preventDefault(); return; }
    if (key in acts) { acts[key](); event.preventDefault(); }
  });
  window.addEventListener("beforeunload", (event) => { if (!state.saved) { event.preventDefault(); event.returnValue = ""; } });
  load();
  $("bar").max = data.items.length;
  $("listener").value = state.listener;
  show();
  follow();
})();
