// One stream of events for all tabs of a bench. A browser gives an address six connections and no more: with a stream
// for each tab the sixth tab waited for ever. The tab that leads holds the stream and tells the others; which one leads
// a lock says, so that the lead passes on when a tab is closed, crashes, or is no longer seen.

/** @typedef {"jobs" | "state" | "meter" | "lost" | "found"} Kind */
/** @typedef {(told: any) => void} Act */

/** This page; after a reload another one. */
export const tab = crypto.randomUUID();
const AGAIN_MS = 3000;
// The server gives a sign every 3 s. After a sleep a connection can look whole and be dead.
const QUIET_MS = 10_000;
/** @type {Kind[]} */
const TOLD = ["jobs", "state", "meter"];
const channel = new BroadcastChannel("earwitness-events");
/** @type {Map<Kind, Set<Act>>} */
const acts = new Map();
/** What was told last of what stays true until it is told anew. @type {Map<Kind, any>} */
const latest = new Map();
/** @type {EventSource | null} */
let source = null;
/** Gives the lead up; null where another tab has it. @type {((value?: any) => void) | null} */
let giveUp = null;
/** @type {AbortController | null} */
let waits = null;
let isHeld = false, isLost = false, isLeft = false;
let heardMs = 0;

/** Call `act` with what is told of `kind`. "jobs": the list of jobs; "state" and "meter": live measuring; "lost": the
    bench does not answer, with {isOver: whether it must be entered anew}; "found": it answers again. Returns what ends
    it. @param {Kind} kind @param {Act} act */
export function listen(kind, act) {
  const known = acts.get(kind) ?? new Set();
  acts.set(kind, known.add(act));
  if (latest.has(kind)) act(latest.get(kind));
  return () => void known.delete(act);
}

/** While held, this tab leads, seen or not: what it started is silenced by the server the moment its stream ends.
    @param {boolean} wanted */
export function hold(wanted) {
  if (wanted === isHeld) return;
  isHeld = wanted;
  if (isHeld && !giveUp) {
    waits?.abort();
    lead({ steal: true });
  } else settle();
}

const wantsLead = () => !isLeft && (isHeld || document.visibilityState === "visible");

function settle() {
  if (wantsLead()) {
    if (!giveUp && !waits) lead();
  } else {
    waits?.abort();
    giveUp?.();
  }
}

/** Wait for the lead, hold it until it is given up or taken. @param {LockOptions} how */
async function lead(how = {}) {
  const wait = (waits = new AbortController());
  /** @type {typeof giveUp} */
  let mine = null;
  try {
    await navigator.locks.request("earwitness-events", how.steal ? how : { signal: wait.signal }, () => {
      if (waits === wait) waits = null;
      return new Promise((over) => {
        giveUp = mine = over;
        wantsLead() ? open() : over(undefined);
      });
    });
  } catch {
    // Broken off while it waited, or taken by the tab that began what sounds.
  }
  if (waits === wait) waits = null;
  if (mine && giveUp === mine) {
    giveUp = null;
    close();
  }
  settle();
}

function open() {
  close();
  heardMs = Date.now();
  const opened = (source = new EventSource(`/api/events?tab=${tab}`));
  for (const kind of TOLD) opened.addEventListener(kind, (e) => hear(kind, JSON.parse(e.data)));
  opened.addEventListener("beat", () => hear(null, null));
  opened.onerror = () => {
    if (opened !== source) return;
    const isOver = opened.readyState === EventSource.CLOSED;
    isLost = true;
    spread("lost", { isOver });
    if (isOver) setTimeout(() => opened === source && open(), AGAIN_MS);
  };
}

function close() {
  source?.close();
  source = null;
}

/** @param {Kind | null} kind @param {any} told */
function hear(kind, told) {
  heardMs = Date.now();
  if (isLost) spread("found", null);
  if (kind) spread(kind, told);
}

/** To this tab and all others. @param {Kind} kind @param {any} told */
function spread(kind, told) {
  channel.postMessage({ kind, told });
  take(kind, told);
}

/** @param {Kind} kind @param {any} told */
function take(kind, told) {
  if (kind === "lost" || kind === "found") isLost = kind === "lost";
  if (kind === "jobs" || kind === "state") latest.set(kind, told);
  for (const act of acts.get(kind) ?? []) act(told);
}

channel.onmessage = ({ data }) => {
  if (data.kind !== "hello") take(data.kind, data.told);
  else if (giveUp) { for (const [kind, told] of latest) channel.postMessage({ kind, told }); }
};
document.addEventListener("visibilitychange", settle);
addEventListener("pagehide", () => {
  isLeft = true;
  isHeld = false;
  close();
  settle();
});
addEventListener("pageshow", (e) => {
  if (!e.persisted) return;
  isLeft = false;
  settle();
});
setInterval(() => source && Date.now() - heardMs > QUIET_MS && open(), QUIET_MS / 4);
channel.postMessage({ kind: "hello" });
settle();
