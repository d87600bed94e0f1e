// Picture and sound of a side share one cursor: a click plays from there, and the cursor goes along, in rows and cards.
(() => {
  "use strict";
  const cues = JSON.parse(document.getElementById("cues").textContent);
  const full = document.getElementById("sound"), slow = document.getElementById("slow-sound");
  const stop = document.getElementById("stop"), now = document.getElementById("now");
  if (!full) return;
  // What is playing: which sound, where in it and at which corrected time it began, how many times slower, until where.
  let playing = null, pressed = null;
  const cursors = new Map();

  const at = () => (playing ? playing.at_s + (playing.sound.currentTime - playing.from) / playing.slower : full.currentTime);
  const clock = (s) => `${Math.floor(s / 60)}:${(s % 60).toFixed(1).padStart(4, "0")}`;

  function cursorOf(svg) {
    if (!cursors.has(svg)) {
      const line = document.createElementNS("http://www.w3.org/2000/svg", "line");
      line.setAttribute("class", "cursor");
      line.setAttribute("y1", svg.viewBox.baseVal.y);
      line.setAttribute("y2", svg.viewBox.baseVal.y + svg.viewBox.baseVal.height);
      svg.append(line);
      cursors.set(svg, line);
    }
    return cursors.get(svg);
  }

  function show() {
    const time = at(), x = time * cues.per_s;
    for (const svg of document.querySelectorAll("svg.heard-from")) {
      const box = svg.viewBox.baseVal, inside = x >= box.x && x < box.x + box.width;
      if (!inside && !cursors.has(svg)) continue;
      const line = cursorOf(svg);
      line.setAttribute("visibility", inside ? "visible" : "hidden");
      line.setAttribute("x1", x);
      line.setAttribute("x2", x);
    }
  }

  function follow() {
    if (!playing) return;
    if (playing.sound.currentTime >= playing.to) { silence(); return; }
    show();
    requestAnimationFrame(follow);
  }

  function silence() {
    full.pause();
    if (slow) slow.pause();
    if (pressed) pressed.setAttribute("aria-pressed", "false");
    if (playing) show();
    playing = pressed = null;
    stop.disabled = true;
    now.textContent = "";
  }

  function play(what, button) {
    silence();
    playing = what;
    pressed = button || null;
    if (pressed) pressed.setAttribute("aria-pressed", "true");
    stop.disabled = false;
    what.sound.preservesPitch = true;
    what.sound.playbackRate = what.rate;
    what.sound.currentTime = what.from;
    now.textContent = `from ${clock(what.at_s)}`;
    what.sound.play().catch((error) => { if (error.name !== "AbortError") silence(); });
    follow();
  }

  function playFrom(time_s) {
    const rate = Number(document.querySelector("input[name=speed]:checked").value);
    play({ sound: full, from: time_s, at_s: time_s, slower: 1, rate, to: Infinity });
  }

  // A click on a slide or a note means its beginning, elsewhere the time itself.
  function meant(x, y) {
    const time = x / cues.per_s, near = 7;
    const note = cues.notes.find(([from, to, height]) => from <= time && time <= to && Math.abs(height - y) <= near);
    const slide = cues.slides.find(([from, to]) => from <= time && time <= to);
    return Math.max(0, note ? note[0] : slide ? slide[0] : time);
  }

  for (const svg of document.querySelectorAll("svg.heard-from")) {
    svg.addEventListener("click", (event) => {
      const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
      playFrom(meant(point.x, point.y));
    });
  }

  for (const row of document.querySelectorAll(".row")) {
    row.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      const begins = Number(row.dataset.row) * cues.row_s, here = at();
      const inside = here >= begins && here < begins + cues.row_s;
      const starts = cues.notes.map(([from]) => from).filter((from) => from >= begins && from < begins + cues.row_s);
      if (event.key === " ") {
        if (playing) silence(); else playFrom(inside ? here : begins);
      } else if (event.key === "ArrowRight" || event.key === "ArrowLeft") {
        const forward = event.key === "ArrowRight", from = inside ? here : forward ? begins - 1 : begins + cues.row_s;
        // Going back at once after a note has begun means the note before it.
        const next = forward ? starts.find((s) => s > from + 0.01) : starts.findLast((s) => s < from - 0.3);
        if (next !== undefined) playFrom(next);
      } else {
        return;
      }
      event.preventDefault();
    });
  }

  for (const button of document.querySelectorAll("button[data-play]")) {
    button.addEventListener("click", () => {
      if (button === pressed) { silence(); return; }
      const { from, to, at: begins, slower } = button.dataset;
      const sound = button.dataset.play === "slow" ? slow : full;
      play({ sound, from: Number(from), to: Number(to), at_s: Number(begins || from), slower: Number(slower || 1), rate: 1 }, button);
    });
  }

  for (const name of ["pause", "ended"]) {
    for (const sound of [full, slow]) {
      if (sound) sound.addEventListener(name, () => { if (playing && playing.sound === sound && (sound.paused || sound.ended)) silence(); });
    }
  }
  // The browser's own controls of the whole side.
  full.addEventListener("play", () => {
    if (playing) return;
    full.playbackRate = Number(document.querySelector("input[name=speed]:checked").value);
    playing = { sound: full, from: full.currentTime, at_s: full.currentTime, slower: 1, rate: 1, to: Infinity };
    stop.disabled = false;
    follow();
  });
  full.addEventListener("seeked", () => {
    if (playing && playing.sound === full) { playing.from = playing.at_s = full.currentTime; }
    show();
  });
  for (const choice of document.querySelectorAll("input[name=speed]")) {
    choice.addEventListener("change", () => { if (playing && playing.sound === full) full.playbackRate = Number(choice.value); });
  }
  stop.addEventListener("click", silence);
  document.addEventListener("keydown", (event) => { if (event.key === "Escape") silence(); });
})();
