// The stream that all tabs share, with a lock, a channel and a server in memory. What each may do is the standard's:
// Web Locks (W3C), BroadcastChannel and EventSource (HTML).
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import test from "node:test";

const FILE = new URL("../../src/earwitness/bench/static/stream.js", import.meta.url);
// The module as a function of what a page has, so that each tab has its own.
const SOURCE = `${readFileSync(FILE, "utf8").replace(/^export /gm, "")}\nreturn { tab, listen, hold };`;

/** Tabs of one browser: a queue for the lock, and what is open on the server. */
class Browser {
  constructor() {
    this.queue = [];
    this.holder = null;
    this.open = new Set();
    this.channels = new Set();
  }

  next() {
    if (this.holder || !this.queue.length) return;
    const one = (this.holder = this.queue.shift());
    one.act().then(() => this.freed(one, one.resolve));
  }

  freed(one, how) {
    if (this.holder === one) this.holder = null;
    how();
    this.next();
  }

  request(_name, { steal = false, signal = null }, act) {
    return new Promise((resolve, reject) => {
      const one = { act, resolve, reject };
      if (steal) {
        const old = this.holder;
        this.holder = null;
        this.queue.unshift(one);
        this.next();
        old?.reject(new Error("stolen"));
        return;
      }
      this.queue.push(one);
      signal?.addEventListener("abort", () => {
        if (!this.queue.includes(one)) return;
        this.queue.splice(this.queue.indexOf(one), 1);
        reject(signal.reason);
      });
      this.next();
    });
  }

  /** A tab with the module of its own. */
  async tab() {
    const events = new EventTarget(), { open, channels } = this, page = Object.assign(new EventTarget(), { visibilityState: "visible" });
    class Source extends EventTarget {
      static CLOSED = 2;
      readyState = 1;
      constructor(url) {
        super();
        this.url = url;
        open.add(this);
      }
      close() {
        open.delete(this);
      }
      tell(kind, told) {
        this.dispatchEvent(Object.assign(new Event(kind), { data: JSON.stringify(told) }));
      }
    }
    class Channel {
      constructor() {
        channels.add(this);
      }
      postMessage(data) {
        for (const other of channels) if (other !== this) other.onmessage?.({ data });
      }
    }
    const given = {
      BroadcastChannel: Channel,
      EventSource: Source,
      document: page,
      addEventListener: events.addEventListener.bind(events),
      navigator: { locks: { request: this.request.bind(this) } },
      setInterval: () => 0,
    };
    const module = new Function(...Object.keys(given), SOURCE)(...Object.values(given));
    await settled();
    return { ...module, page };
  }
}
const settled = () => new Promise((resolve) => setTimeout(resolve, 5));

async function see(tab, state) {
  tab.page.visibilityState = state;
  tab.page.dispatchEvent(new Event("visibilitychange"));
  await settled();
}

test("one stream for all tabs, heard by all of them, also by one that comes later", async () => {
  const browser = new Browser(), first = await browser.tab(), second = await browser.tab(), heard = [];
  first.listen("jobs", (told) => heard.push(["first", told]));
  second.listen("jobs", (told) => heard.push(["second", told]));
  assert.equal(browser.open.size, 1);
  const [source] = browser.open;
  source.tell("jobs", [1]);
  assert.deepEqual(heard, [["second", [1]], ["first", [1]]]);
  const third = await browser.tab(), late = [];
  third.listen("jobs", (told) => late.push(told));
  assert.deepEqual(late, [[1]]);
  assert.equal(browser.open.size, 1);
});

test("a tab that is no longer seen gives the lead up, and nobody leads where none is seen", async () => {
  const browser = new Browser(), first = await browser.tab(), second = await browser.tab();
  const at = () => [...browser.open].map((one) => one.url.split("tab=")[1]);
  assert.deepEqual(at(), [first.tab]);
  await see(first, "hidden");
  assert.deepEqual(at(), [second.tab]);
  await see(second, "hidden");
  assert.deepEqual(at(), []);
  await see(first, "visible");
  assert.deepEqual(at(), [first.tab]);
});

test("the tab that starts sound takes the lead and keeps it unseen, until it lets go", async () => {
  const browser = new Browser(), first = await browser.tab(), second = await browser.tab();
  const at = () => [...browser.open].map((one) => one.url.split("tab=")[1]);
  second.hold(true);
  await settled();
  assert.deepEqual(at(), [second.tab]);
  await see(second, "hidden");
  assert.deepEqual(at(), [second.tab]);
  second.hold(false);
  await settled();
  assert.deepEqual(at(), [first.tab]);
});

test("a lost bench is told to all, and that it is found again", async () => {
  const browser = new Browser(), heard = [];
  await browser.tab();
  const second = await browser.tab();
  second.listen("lost", ({ isOver }) => heard.push(`lost ${isOver}`));
  second.listen("found", () => heard.push("found"));
  const [source] = browser.open;
  source.readyState = 0;
  source.onerror();
  source.tell("beat", null);
  source.tell("jobs", []);
  assert.deepEqual(heard, ["lost false", "found"]);
});
