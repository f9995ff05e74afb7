// Notes on a second window: what the presenter says of itself, and keys and buttons handed back to it.

const find = (selector) => document.querySelector(selector);
const channel = new BroadcastChannel(`earwitness-talk-${document.body.dataset.loudspeaker}`);
const KEYS = {
  " ": "next",
  ArrowRight: "next",
  ArrowDown: "next",
  PageDown: "next",
  Enter: "next",
  ArrowLeft: "back",
  ArrowUp: "back",
  PageUp: "back",
  h: "hold",
};

channel.addEventListener("message", ({ data }) => {
  if (!data.sentences) return;
  find("#elapsed").textContent = data.elapsed;
  find("#planned").textContent = data.planned;
  find("#headline").textContent = data.title;
  find("#then").textContent = data.next ? `Next part: ${data.next}` : "That is the last part.";
  find("#sentences").replaceChildren(...data.sentences.map((sentence, k) => {
    const row = document.createElement("li");
    row.textContent = sentence;
    if (k === data.at) row.setAttribute("aria-current", "step");
    return row;
  }));
  document.body.dataset.ready = "notes";
});
document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || !KEYS[event.key]) return;
  if ([" ", "Enter"].includes(event.key) && document.activeElement?.closest("button")) return;
  channel.postMessage({ act: KEYS[event.key] });
  event.preventDefault();
});
document.addEventListener("click", (event) => {
  const act = event.target.closest("[data-act]")?.dataset.act;
  if (act) channel.postMessage({ act });
});
channel.postMessage({ hello: true });
