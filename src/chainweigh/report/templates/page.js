(() => {
  "use strict";
  const SAFE_VOLUME = 0.2;
  const players = Array.from(document.querySelectorAll("audio"));
  let volume = SAFE_VOLUME;
  let last = null;

  for (const player of players) {
    player.volume = volume;
    player.addEventListener("play", () => {
      for (const other of players) if (other !== player) other.pause();
      const sameSet = last && last !== player && last.dataset.set === player.dataset.set;
      if (sameSet && !last.ended) player.currentTime = last.currentTime;
      last = player;
    });
    player.addEventListener("volumechange", () => {
      if (player.volume === volume) return;
      volume = player.volume;
      for (const other of players) other.volume = volume;
    });
    player.addEventListener("error", () => {
      const note = document.createElement("span");
      note.className = "missing";
      note.textContent = "This file cannot be played here.";
      player.replaceWith(note);
    });
  }

  let opened = [];
  addEventListener("beforeprint", () => {
    opened = Array.from(document.querySelectorAll("details.keep:not([open])"));
    for (const part of opened) part.open = true;
  });
  addEventListener("afterprint", () => {
    for (const part of opened) part.open = false;
  });
})();
