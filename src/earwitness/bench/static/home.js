// The desk: the list follows what is typed and chosen, and its address can be kept.
import { onKey, piece, ready, tell } from "./bench.js";

const form = document.getElementById("desk-find"), list = document.getElementById("desk-list");
const LATER_MS = 200;
let turn = 0, timer = 0;

async function follow() {
  const mine = ++turn, address = `/?${new URLSearchParams(/** @type {any} */ (new FormData(form)))}`;
  try {
    const text = await piece(address);
    // An answer that comes late says nothing of what is typed now.
    if (mine !== turn) return;
    list.innerHTML = text;
    history.replaceState(null, "", address);
  } catch (error) {
    if (mine === turn) tell(error);
  }
}

if (form) {
  form.addEventListener("input", (e) => {
    clearTimeout(timer);
    timer = setTimeout(follow, e.target.type === "search" ? LATER_MS : 0);
  });
  form.onsubmit = (e) => {
    e.preventDefault();
    clearTimeout(timer);
    follow();
  };
  onKey("/", "find a loudspeaker", () => form.elements.q.select());
}
document.body.dataset.ready = "home";
ready();
