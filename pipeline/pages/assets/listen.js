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
    document.querySelectorAll("button[data-verdict]").forEach((b) => b.setAttribute("aria-pressed", String(b.dataset.verdict === said.verdict)));
    document.querySelectorAll("button[data-kind]").forEach((b) => { b.setAttribute("aria-pressed", String(b.dataset.kind === said.kind)); b.disabled = said.verdict !== "slide"; });
    $("comment").value = said.comment;
    $("marks").hidden = said.verdict !== "slide";
    $("marked").textContent = said.from_s === null ? "Not marked: the slide is taken to be where the question was." : `Marked from ${said.from_s.toFixed(2)} s to ${said.to_s === null ? "…" : said.to_s.toFixed(2) + " s"} of this excerpt.`;
    $("ours").textContent = judged ? one.ours : "Hidden until you have judged.";
    const drawing = $("drawing");
    if (drawing.dataset.item !== one.item_id) { drawing.dataset.item = one.item_id; drawing.hidden = true; drawing.innerHTML = ""; $("picture").setAttribute("aria-expanded", "false"); }
    if (!player.src.endsWith(one.sound)) { player.src = one.sound; slow.src = one.slow_sound; }
  };
  const silence = () => { player.pause(); slow.pause(); };
  const play = (which, from = 0) => { silence(); const p = which === "slow" ? slow : player; p.currentTime = from; p.play().catch(() => say("The sound could not be played: is the folder “sound” beside this page?")); };
  const go = (step) => { silence(); state.at = Math.min(Math.max(state.at + step, 0), data.items.length - 1); keep(); show(); say(""); };
  const judge = (verdict) => { const a = answer(); a.verdict = verdict; if (verdict !== "slide") { a.kind = ""; a.from_s = a.to_s = null; } touched(); };
  const setKind = (kind) => { if (answer().verdict === "slide") { answer().kind = answer().kind === kind ? "" : kind; touched(); } };
  const mark = (end) => { const a = answer(); if (a.verdict !== "slide") return; const now = slow.paused && slow.currentTime > 0 && player.currentTime === 0 ? slow.currentTime * 0.5 : player.currentTime; if (end) { if (a.from_s !== null && now > a.from_s) a.to_s = now; } else { a.from_s = now; a.to_s = null; } touched(); };
  const picture = () => { const d = $("drawing"); d.hidden = !d.hidden; $("picture").setAttribute("aria-expanded", String(!d.hidden)); if (!d.hidden && !d.innerHTML) d.replaceChildren(document.getElementById(`picture-${item().item_id}`).content.cloneNode(true)); };

  const HEAD = ["transfer_id", "samples_sha256", "transfer_start_s", "transfer_end_s", "verdict", "kind", "listener", "judged_on", "sample_id", "comment"];
  const cell = (value) => { const text = String(value ?? ""); return /[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text; };
  const lines = () => {
    const made = [HEAD.join(",")];
    for (const one of data.items) {
      const a = state.answers[one.item_id];
      if (!a || !a.verdict) continue;
      const row = (start, end, sample) => [one.transfer_id, one.samples_sha256, start.toFixed(6), end.toFixed(6), a.verdict, a.kind, state.listener, a.judged_on, sample, a.comment].map(cell).join(",");
      made.push(row(one.transfer_start_s, one.transfer_end_s, data.sample_id));
      if (a.verdict === "slide" && a.from_s !== null && a.to_s !== null) {
        const place = (s) => one.clip_start_s + s * one.transfer_per_corrected;
        made.push(row(place(a.from_s), place(a.to_s), ""));
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
    let taken = 0;
    for (const row of rows) {
      const r = Object.fromEntries(HEAD.map((name, n) => [name, row[n] ?? ""]));
      const one = data.items.find((i) => i.transfer_id === r.transfer_id && i.transfer_start_s.toFixed(6) === r.transfer_start_s && i.transfer_end_s.toFixed(6) === r.transfer_end_s);
      if (!one || r.sample_id !== data.sample_id) continue;
      const before = state.answers[one.item_id] || { from_s: null, to_s: null };
      state.answers[one.item_id] = { ...before, verdict: r.verdict, kind: r.kind, comment: r.comment, judged_on: r.judged_on };
      state.listener = r.listener; taken += 1;
    }
    $("listener").value = state.listener; keep(); show();
    say(`${taken} verdicts read from ${file.name}.`);
  };

  document.querySelectorAll("button[data-verdict]").forEach((b) => b.addEventListener("click", () => judge(b.dataset.verdict)));
  document.querySelectorAll("button[data-kind]").forEach((b) => b.addEventListener("click", () => setKind(b.dataset.kind)));
  $("play").addEventListener("click", () => play("full"));
  $("play-slow").addEventListener("click", () => play("slow"));
  $("play-slower").addEventListener("click", () => play("slow", item().quarter_from_s));
  $("mark-start").addEventListener("click", () => mark(false));
  $("mark-end").addEventListener("click", () => mark(true));
  $("picture").addEventListener("click", picture);
  $("back").addEventListener("click", () => go(-1));
  $("next").addEventListener("click", () => go(1));
  $("save").addEventListener("click", save);
  $("resume").addEventListener("change", (event) => { if (event.target.files[0]) resume(event.target.files[0]); });
  $("comment").addEventListener("change", (event) => { answer().comment = event.target.value; touched(); });
  $("listener").addEventListener("change", (event) => { state.listener = event.target.value.trim().toLowerCase(); keep(); });
  slow.addEventListener("timeupdate", () => { if (slow.currentTime >= item().half_to_s && slow.currentTime < item().quarter_from_s) slow.pause(); });
  document.addEventListener("keydown", (event) => {
    if (/^(INPUT|TEXTAREA|SELECT)$/.test(event.target.tagName) || event.ctrlKey || event.metaKey || event.altKey) return;
    const key = event.key.toLowerCase();
    const acts = { s: () => judge("slide"), n: () => judge("no_slide"), c: () => judge("cannot_tell"), h: () => play("full"), j: () => play("slow"), k: () => play("slow", item().quarter_from_s), v: picture, "[": () => mark(false), "]": () => mark(true), arrowright: () => go(1), arrowleft: () => go(-1) };
    const number = Number(key);
    if (number >= 1 && number <= kinds.length) { setKind(kinds[number - 1]); event.preventDefault(); return; }
    if (key in acts) { acts[key](); event.preventDefault(); }
  });
  window.addEventListener("beforeunload", (event) => { if (!state.saved) { event.preventDefault(); event.returnValue = ""; } });
  load();
  $("bar").max = data.items.length;
  $("listener").value = state.listener;
  show();
})();
