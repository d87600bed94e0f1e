// The verdicts of a listening check as CSV, and back: a line for each excerpt judged, and below it one for each slide
// marked in it. A mark that was saved once and stands no more is written as withdrawn, so that it counts no longer.
const listeningFile = (() => {
  "use strict";
  const HEAD = ["transfer_id", "samples_sha256", "transfer_start_s", "transfer_end_s", "verdict", "kind", "listener", "judged_on", "sample_id", "item_id", "comment"];
  const cell = (value) => { const text = String(value ?? ""); return /[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text; };
  // A mark in the transfer's own time, as it is written.
  const marked = (one, answer) => [answer.from_s, answer.to_s].map((s) => (one.clip_start_s + s * one.transfer_per_corrected).toFixed(6));
  const within = (one, time) => (Number(time) - one.clip_start_s) / one.transfer_per_corrected;

  // here(item, answer): whether what was heard lies at the place asked about.
  const write = (data, listener, answers, here) => {
    const lines = [HEAD];
    for (const one of data.items) {
      const answer = answers[one.item_id];
      if (!answer || !answer.verdict) continue;
      const line = ([start, end], verdict, kind, comment, ...drawn) =>
        lines.push([one.transfer_id, one.samples_sha256, start, end, verdict, kind, listener, answer.judged_on, drawn[0] ?? "", drawn[1] ?? "", comment]);
      const counts = answer.verdict !== "slide" || here(one, answer);
      const asked = [one.transfer_start_s.toFixed(6), one.transfer_end_s.toFixed(6)];
      line(asked, counts ? answer.verdict : "no_slide", counts ? answer.kind : "", answer.comment, data.sample_id, one.item_id);
      const mark = answer.verdict === "slide" && answer.from_s !== null ? marked(one, answer) : null;
      answer.written ??= [];
      for (const old of answer.written) if (String(old) !== String(mark)) line(old, "withdrawn", "", "");
      if (mark) line(mark, "slide", answer.kind, answer.comment);
      if (mark && !answer.written.some((old) => String(old) === String(mark))) answer.written.push(mark);
    }
    return lines.map((cells) => cells.map(cell).join(",")).join("\r\n") + "\r\n";
  };

  const cells = (text) => {
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

  // The listener and the answers of a file; null if it is no such file.
  const read = (data, text) => {
    const [head, ...rows] = cells(text);
    if (!head || head.join() !== HEAD.join()) return null;
    const made = { listener: "", answers: {} };
    let one = null, answer = null;
    for (const row of rows) {
      const r = Object.fromEntries(HEAD.map((name, n) => [name, row[n] ?? ""]));
      if (r.sample_id === data.sample_id) {
        one = data.items.find((each) => each.item_id === r.item_id) || null;
        if (!one) continue;
        answer = made.answers[one.item_id] = { verdict: r.verdict, kind: r.kind, comment: r.comment, judged_on: r.judged_on, from_s: null, to_s: null, written: [] };
        made.listener = r.listener;
      } else if (one && r.sample_id === "" && r.transfer_id === one.transfer_id) {  // marks in the excerpt above
        answer.written.push([r.transfer_start_s, r.transfer_end_s]);
        if (r.verdict === "slide") Object.assign(answer, { verdict: "slide", kind: r.kind, from_s: within(one, r.transfer_start_s), to_s: within(one, r.transfer_end_s) });
      }
    }
    return made;
  };
  return { write, read };
})();
