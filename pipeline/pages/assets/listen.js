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
  const say = (text) => { $("message").textContent = text; };  // of the file
  const hint = (text) => { $("hint").textContent = text; };  // of the excerpts
  const item = () => data.items[state.at];
  const fresh = () => ({ verdict: "", kind: "", comment: "", judged_on: "", from_s: null, to_s: null, written: [] });
  const answer = () => state.answers[item().item_id] || (state.answers[item().item_id] = fresh());
  const touched = () => { state.saved = false; answer().judged_on = new Date().toISOString().slice(0, 10); keep(); show(); };
  const verdictOf = (one) => state.answers[one.item_id]?.verdict ?? "";
  // Whether a slide heard lies at the place asked about; unmarked, it is taken to.
  const here = (one, said) => said.from_s === null || (said.from_s < one.asked_to_s && said.to_s > one.asked_from_s);
  const bounds = (one, said) => ({ from_s: said.from_s ?? one.asked_from_s, to_s: said.to_s ?? one.asked_to_s });

  const show = () => {
    const one = item(), said = answer(), judged = said.verdict !== "", slid = said.verdict === "slide";
    $("place").textContent = `Excerpt ${state.at + 1} of ${data.items.length}`;
    const done = data.items.filter(verdictOf).length;
    $("done").textContent = `${done} judged${state.saved ? "" : ", not yet saved"}`;
    $("bar").value = done;
    $("known").textContent = howCloselyKnown(data.model, data.items.filter((each) => !["", "cannot_tell"].includes(verdictOf(each)))
      .map((each) => [each, verdictOf(each) === "slide" && here(each, state.answers[each.item_id])]));
    document.querySelectorAll("button[data-verdict]").forEach((b) => b.setAttribute("aria-pressed", String(b.dataset.verdict === said.verdict)));
    document.querySelectorAll("button[data-kind]").forEach((b) => { b.setAttribute("aria-pressed", String(b.dataset.kind === said.kind)); b.disabled = !slid; });
    $("comment").value = said.comment;
    $("asked").textContent = one.asked;
    $("question").textContent = one.stretch ? "Is there a slide in the shaded stretch?" : "Is there a slide at the shaded change?";
    $("ours").textContent = judged ? one.ours : "Hidden until you have judged.";
    showMarks(one, said, slid);
    showList();
    const drawing = $("drawing");
    if (drawing.dataset.item !== one.item_id) { drawing.dataset.item = one.item_id; drawing.hidden = true; $("drawn").replaceChildren(); $("picture").setAttribute("aria-expanded", "false"); }
    if (!player.src.endsWith(one.sound)) { player.src = one.sound; slow.src = one.slow_sound; }
  };
  const showMarks = (one, said, slid) => {
    const shown = bounds(one, said), marked = said.from_s !== null;
    $("marks").hidden = !slid;
    $("strip-asked").style.left = `${100 * one.asked_from_s / one.length_s}%`;
    $("strip-asked").style.width = `${100 * (one.asked_to_s - one.asked_from_s) / one.length_s}%`;
    for (const each of lanes) each.show(one.length_s, slid ? shown : null, marked);
    for (const [id, end] of [["mark-start", "from_s"], ["mark-end", "to_s"]]) {
      $(id).max = one.length_s.toFixed(2); $(id).value = shown[end].toFixed(2);
      $(id).setAttribute("aria-valuetext", `${shown[end].toFixed(2)} s; the shaded place is ${one.asked_from_s.toFixed(2)} to ${one.asked_to_s.toFixed(2)} s`);
    }
    $("unmark").disabled = !marked;
    $("marked").textContent = !marked ? "Not marked." : `Marked from ${said.from_s.toFixed(2)} s to ${said.to_s.toFixed(2)} s of this excerpt${here(one, said) ? "." : ": elsewhere, which counts as no slide at the shaded place."}`;
    $("marked").classList.toggle("elsewhere", !here(one, said));
  };
  // The list of all excerpts, each a way to it.
  const listed = data.items.map((one, n) => {
    const button = document.createElement("button"), li = document.createElement("li");
    button.type = "button";
    button.addEventListener("click", () => goTo(n));
    li.append(button);
    $("list").append(li);
    return button;
  });
  const showList = () => listed.forEach((button, n) => {
    const verdict = verdictOf(data.items[n]).replace("_", " ");
    button.textContent = `${n + 1} ${verdict.slice(0, 1).toUpperCase() || "·"}`;
    button.setAttribute("aria-label", `Excerpt ${n + 1}, ${verdict || "not judged"}`);
    button.setAttribute("aria-current", String(n === state.at));
  });

  const silence = () => { player.pause(); slow.pause(); };
  const AROUND_S = 0.25;  // the place alone is played with this much before and after it
  // Each way to hear an excerpt: the sound, where the excerpt begins in it, and how many times slower it runs.
  const WAYS = { full: () => [player, 0, 1], half: () => [slow, 0, 2], quarter: () => [slow, item().quarter_from_s, 4] };
  let running = null;
  const play = (way, from, to) => {
    silence();
    const [sound, begins, slower] = WAYS[way]();
    running = { sound, begins, slower, until: begins + Math.min(item().length_s, to) * slower };
    sound.currentTime = begins + Math.max(0, from) * slower;
    sound.play().catch(() => hint("The sound could not be played: is the folder “sound” beside this page?"));
  };
  const playAlone = (way) => play(way, item().asked_from_s - AROUND_S, item().asked_to_s + AROUND_S);
  const playWhole = () => play("full", 0, item().length_s);
  const playMarked = () => { if (answer().verdict === "slide") { const { from_s, to_s } = bounds(item(), answer()); play("full", from_s, to_s); } };
  // Where the sound stands, in seconds of the excerpt at speed.
  const now = () => (running && running.sound === slow ? (slow.currentTime - running.begins) / running.slower : player.currentTime);
  const follow = () => {
    if (running && !running.sound.paused && running.sound.currentTime >= running.until) running.sound.pause();
    for (const each of lanes) each.stand(now());
    requestAnimationFrame(follow);
  };

  const goTo = (n) => { silence(); running = null; state.at = Math.min(Math.max(n, 0), data.items.length - 1); keep(); show(); hint(""); };
  const goUnjudged = () => {
    const open = data.items.map((one, n) => [one, n]).filter(([one]) => !verdictOf(one)).map(([, n]) => n);
    if (open.length) goTo(open.find((n) => n > state.at) ?? open[0]);
    else hint("All excerpts are judged: save them below.");
  };
  const judge = (verdict) => { const a = answer(); if (a.verdict !== verdict) Object.assign(a, { verdict, kind: "", from_s: null, to_s: null }); touched(); };
  const setKind = (kind) => { if (answer().verdict === "slide") { answer().kind = answer().kind === kind ? "" : kind; touched(); } };
  const mark = (end, at) => {
    const a = answer(), one = item();
    if (a.verdict !== "slide") return;
    const made = bounds(one, a);
    made[end] = Math.min(Math.max(at, 0), one.length_s);
    if (made.to_s - made.from_s < 0.01) { if (end === "from_s") made.to_s = Math.min(made.from_s + 0.1, one.length_s); else made.from_s = Math.max(made.to_s - 0.1, 0); }
    Object.assign(a, made);
    touched();
  };
  const unmark = () => { answer().from_s = answer().to_s = null; touched(); };
  const lanes = [lane($("strip"), mark), lane($("drawing"), mark)];
  const picture = () => {
    const hidden = !$("drawing").hidden;
    $("drawing").hidden = hidden; $("picture").setAttribute("aria-expanded", String(!hidden));
    if (!hidden && !$("drawn").hasChildNodes()) $("drawn").replaceChildren($(`picture-${item().item_id}`).content.cloneNode(true));
  };

  const save = () => {
    const name = $("listener").value.trim();
    if (!name) { say("Write your name first: it stands beside your verdicts."); $("listener").focus(); return; }
    if (!/[a-z0-9]/i.test(name.normalize("NFKD"))) { say("Write your name with Latin letters or digits too: an id is made of them."); $("listener").focus(); return; }
    state.listener = name;
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([listeningFile.write(data, name, state.answers, here)], { type: "text/csv" }));
    link.download = `${data.sample_id}-${name.replace(/[^\p{L}\p{N}]+/gu, "-")}.csv`;
    document.body.append(link); link.click(); link.remove();
    state.saved = true; keep(); show();
    say(`Saved as ${link.download}, where your browser keeps downloads. Take it in with: glideline listen DIR --take-in ${link.download}`);
  };
  const resume = async (file) => {
    const kept = listeningFile.read(data, await file.text());
    if (!kept) { say("That file was not saved by this page."); return; }
    const taken = Object.keys(kept.answers).length;
    if (!taken) { say(`${file.name} holds verdicts of another sample.`); return; }
    Object.assign(state.answers, kept.answers);
    state.listener = kept.listener;
    $("listener").value = state.listener; keep(); show();
    say(`${taken} verdicts read from ${file.name}.`);
  };

  const meanings = () => { $("meanings").open = !$("meanings").open; };
  const BUTTONS = {
    "play-alone": () => playAlone("full"), "play": playWhole, "play-slow": () => playAlone("half"), "play-slower": () => playAlone("quarter"),
    "play-marked": playMarked, "mark-start-here": () => mark("from_s", now()), "mark-end-here": () => mark("to_s", now()), "unmark": unmark,
    "picture": picture, "back": () => goTo(state.at - 1), "next": () => goTo(state.at + 1), "unjudged": goUnjudged, "save": save,
  };
  const KEYS = {
    s: () => judge("slide"), n: () => judge("no_slide"), c: () => judge("cannot_tell"),
    h: BUTTONS["play-alone"], j: playWhole, k: BUTTONS["play-slow"], l: BUTTONS["play-slower"], m: playMarked,
    "[": BUTTONS["mark-start-here"], "]": BUTTONS["mark-end-here"], v: picture, u: goUnjudged, "?": meanings,
    arrowright: BUTTONS.next, arrowleft: BUTTONS.back,
  };
  kinds.forEach((kind, n) => { KEYS[String(n + 1)] = () => setKind(kind); });
  for (const [id, act] of Object.entries(BUTTONS)) $(id).addEventListener("click", act);
  document.querySelectorAll("button[data-verdict]").forEach((b) => b.addEventListener("click", () => judge(b.dataset.verdict)));
  document.querySelectorAll("button[data-kind]").forEach((b) => b.addEventListener("click", () => setKind(b.dataset.kind)));
  for (const [id, end] of [["mark-start", "from_s"], ["mark-end", "to_s"]]) {
    $(id).addEventListener("input", (event) => mark(end, Number(event.target.value)));
    // A slider that was dragged lets the arrow keys go again; one reached by the keyboard keeps them.
    $(id).addEventListener("pointerup", (event) => event.target.blur());
  }
  $("resume").addEventListener("change", (event) => { if (event.target.files[0]) resume(event.target.files[0]); });
  $("comment").addEventListener("change", (event) => { answer().comment = event.target.value; touched(); });
  $("listener").addEventListener("change", (event) => { state.listener = event.target.value.trim(); keep(); });
  document.addEventListener("keydown", (event) => {
    if ((/^(INPUT|TEXTAREA|SELECT)$/.test(event.target.tagName) && event.target.type !== "range") || event.ctrlKey || event.metaKey || event.altKey) return;
    const key = event.key.toLowerCase();
    if (event.target.type === "range" && key.startsWith("arrow")) return;  // moves the bracket
    if (key in KEYS) { KEYS[key](); event.preventDefault(); }
  });
  window.addEventListener("beforeunload", (event) => { if (!state.saved) { event.preventDefault(); event.returnValue = ""; } });
  load();
  $("bar").max = data.items.length;
  $("listener").value = state.listener;
  show();
  follow();
})();
