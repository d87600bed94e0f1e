"use strict";
// Plays a place in each take, one after another, or a take's whole passage; at speed or at half speed, pitch kept.
(() => {
  const cues = JSON.parse(document.getElementById("cues").textContent);
  const stop = document.getElementById("stop");
  const now = document.getElementById("now");
  const sounds = {};
  let queue = [];
  let pressed = null;
  let sounding = null;
  let end = 0;

  function mark(key) {
    for (const row of document.querySelectorAll(".take")) row.classList.toggle("sounds", row.dataset.take === key);
    const name = key && document.querySelector(`[data-play-take="${CSS.escape(key)}"]`);
    now.textContent = name ? name.textContent : "";
  }

  function silence() {
    if (sounding) sounding.pause();
    if (pressed) pressed.setAttribute("aria-pressed", "false");
    sounding = pressed = null;
    queue = [];
    stop.disabled = true;
    mark("");
  }

  function soundOf(side) {
    if (!sounds[side]) {
      const audio = new Audio(`../sound/${side}.flac`);
      audio.addEventListener("timeupdate", () => { if (audio === sounding && audio.currentTime >= end) next(); });
      audio.addEventListener("ended", () => { if (audio === sounding) next(); });
      audio.addEventListener("error", () => { if (audio === sounding) next(); });
      sounds[side] = audio;
    }
    return sounds[side];
  }

  function next() {
    if (sounding) sounding.pause();
    if (!queue.length) { silence(); return; }
    const [key, from, to] = queue.shift();
    mark(key);
    end = to;
    sounding = soundOf(cues.takes[key].side);
    sounding.preservesPitch = true;
    sounding.playbackRate = Number(document.querySelector("input[name=speed]:checked").value);
    sounding.currentTime = from;
    sounding.play().catch((error) => { if (error.name !== "AbortError") silence(); });
  }

  function begin(button, spans) {
    const again = pressed === button;
    silence();
    if (again || !spans.length) return;
    pressed = button;
    pressed.setAttribute("aria-pressed", "true");
    stop.disabled = false;
    queue = spans.map(([key, [from, to]]) => [key, from, to]);
    next();
  }

  for (const button of document.querySelectorAll("[data-place]")) {
    button.addEventListener("click", () => begin(button, Object.entries(cues.places[button.dataset.place] || {})));
  }
  for (const button of document.querySelectorAll("[data-play-take]")) {
    const key = button.dataset.playTake;
    button.addEventListener("click", () => begin(button, cues.takes[key] ? [[key, cues.takes[key].span]] : []));
  }
  stop.addEventListener("click", silence);
  document.addEventListener("keydown", (event) => { if (event.key === "Escape") silence(); });
  document.getElementById("keep").addEventListener("click", () => {
    const rows = JSON.parse(document.getElementById("sheet").textContent);
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([rows], { type: "text/csv" }));
    link.download = `${document.title.replace(/[^\w-]+/g, "-").toLowerCase()}.csv`;
    link.click();
    URL.revokeObjectURL(link.href);
  });
})();
