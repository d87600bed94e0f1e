// A stretch of time drawn from left to right, with the place where the sound stands and two brackets to drag by mouse,
// finger or pen. The sliders beside it do the same by keyboard and for screen readers, so nothing here takes the focus.
const lane = (() => {
  "use strict";
  const LEAST_S = 0.02;  // brackets that are dragged stay so far apart

  // moved(end, seconds): a bracket ("from_s" or "to_s") was dragged there.
  return (host, moved) => {
    const add = (name) => { const made = document.createElement("div"); made.className = name; host.append(made); return made; };
    const heard = add("heard"), cursor = add("cursor");
    const brackets = { from_s: add("bracket from"), to_s: add("bracket to") };
    let length = 1, bounds = null;
    const percent = (s) => `${100 * s / length}%`;

    for (const [end, bracket] of Object.entries(brackets)) {
      let grip = null;  // how far from the bracket's own place it was taken hold of, in seconds
      const at = (event) => { const box = host.getBoundingClientRect(); return (event.clientX - box.left) / box.width * length; };
      bracket.addEventListener("pointerdown", (event) => {
        if (event.button !== 0) return;
        grip = bounds[end] - at(event);
        bracket.setPointerCapture(event.pointerId);
        event.preventDefault();
      });
      bracket.addEventListener("pointermove", (event) => {
        if (grip === null) return;
        const [low, high] = end === "from_s" ? [0, bounds.to_s - LEAST_S] : [bounds.from_s + LEAST_S, length];
        moved(end, Math.min(Math.max(at(event) + grip, low), high));
      });
      for (const over of ["pointerup", "pointercancel"]) bracket.addEventListener(over, () => { grip = null; });
    }

    // shown: the bounds of the brackets, null for none; marked: whether the listener set them.
    const show = (seconds, shown, marked) => {
      length = seconds; bounds = shown;
      for (const each of [heard, ...Object.values(brackets)]) each.hidden = shown === null;
      if (shown === null) return;
      heard.classList.toggle("marked", marked);
      heard.style.left = percent(shown.from_s);
      heard.style.width = percent(shown.to_s - shown.from_s);
      for (const [end, bracket] of Object.entries(brackets)) bracket.style.left = percent(shown[end]);
    };
    return { show, stand: (seconds) => { cursor.style.left = percent(seconds); } };
  };
})();
