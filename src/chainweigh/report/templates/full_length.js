// Players of the run's own files: one at a time, from the same moment, all at one quiet volume.

const SAFE_VOLUME = 0.2;

function goOnFrom(player, last) {
  const sameSet = last && last !== player && last.dataset.set === player.dataset.set;
  if (sameSet && !last.ended) player.currentTime = last.currentTime;
}

function cannotPlay(player) {
  const note = document.createElement("span");
  note.className = "missing";
  note.textContent = "This file cannot be played here.";
  player.replaceWith(note);
}

export function bindFullLength(players, onPlay) {
  let volume = SAFE_VOLUME;
  let last = null;
  for (const player of players) {
    player.volume = volume;
    player.addEventListener("play", () => {
      onPlay();
      for (const other of players) if (other !== player) other.pause();
      goOnFrom(player, last);
      last = player;
    });
    player.addEventListener("volumechange", () => {
      if (player.volume === volume) return;
      volume = player.volume;
      for (const other of players) other.volume = volume;
    });
    player.addEventListener("error", () => cannotPlay(player));
  }
}
