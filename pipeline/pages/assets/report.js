// On all pages of a report: a sign where something goes on to the right, the search of sides, the least certainty.
(() => {
  "use strict";
  const signs = new Map();

  function sign(box) {
    const left = box.scrollWidth - box.clientWidth - box.scrollLeft;
    if (!signs.has(box)) {
      if (left < 2) return;
      const word = document.createElement("p");
      word.className = "more";
      word.setAttribute("aria-hidden", "true");
      word.textContent = "more to the right →";
      box.before(word);
      signs.set(box, word);
    }
    signs.get(box).style.visibility = left < 2 ? "hidden" : "visible";
  }

  const boxes = document.querySelectorAll(".scroll, .row, .system");
  const look = new ResizeObserver((entries) => { for (const entry of entries) sign(entry.target); });
  for (const box of boxes) {
    box.addEventListener("scroll", () => sign(box), { passive: true });
    look.observe(box);
  }

  for (const choice of document.querySelectorAll("input[name=least]")) {
    choice.addEventListener("change", () => {
      for (const part of document.querySelectorAll(".level")) part.hidden = part.dataset.least !== choice.value;
    });
  }

  const find = document.getElementById("find"), found = document.getElementById("found");
  if (!find) return;
  document.getElementById("search").hidden = false;
  const plain = (text) => text.normalize("NFKD").replace(/\p{M}/gu, "").toLowerCase();
  const rows = [...document.querySelectorAll("tr[data-find]")].map((row) => [row, plain(row.dataset.find)]);

  function search() {
    const words = plain(find.value).split(/\s+/).filter(Boolean);
    let shown = 0;
    for (const [row, text] of rows) {
      row.hidden = !words.every((word) => text.includes(word));
      shown += !row.hidden;
    }
    found.textContent = words.length ? `${shown} of ${rows.length} transfers` : "";
  }

  // "#sides:WORDS" is the way from a dot, a bar or a name to the sides behind it.
  function asked() {
    const [part, words] = location.hash.split(":");
    if (part !== "#sides" || words === undefined) return;
    find.value = decodeURIComponent(words);
    search();
    document.getElementById("sides").scrollIntoView();
    find.focus({ preventScroll: true });
  }

  find.addEventListener("input", search);
  window.addEventListener("hashchange", asked);
  asked();
})();
