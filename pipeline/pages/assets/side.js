// Plays stretches of the corrected sound: the whole side's file at speed, the slowed file for half and quarter.
(() => {
  "use strict";
  const players = { full: document.getElementById("sound"), slow: document.getElementById("slow-sound") };
  let stop = null;
  const silence = () => {
    for (const player of Object.values(players)) if (player) player.pause();
    document.querySelectorAll("button[data-play][aria-pressed='true']").forEach((b) => b.setAttribute("aria-pressed", "false"));
    stop = null;
  };
  for (const player of Object.values(players)) {
    if (!player) continue;
    player.addEventListener("timeupdate", () => { if (stop !== null && player.currentTime >= stop) silence(); });
    player.addEventListener("ended", silence);
  }
  document.querySelectorAll("button[data-play]").forEach((button) => {
    button.addEventListener("click", () => {
      const again = button.getAttribute("aria-pressed") === "true";
      silence();
      if (again) return;
      const player = players[button.dataset.play];
      player.currentTime = Number(button.dataset.from);
      stop = Number(button.dataset.to);
      button.setAttribute("aria-pressed", "true");
      player.play().catch(silence);
    });
  });
})();
