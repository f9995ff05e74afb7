// The place Measure: folders by drag and drop with progress and all faults at once, test signals.
import { ask, make, note, onKey, Refusal, startJob, tell } from "./bench.js";

const find = (id) => document.getElementById(id);

// Tabs ---------------------------------------------------------------------------------------------------------------

const tabs = [...document.querySelectorAll("[role=tab]")];
export function showTab(tab, focus = false) {
  for (const one of tabs) {
    const chosen = one === tab;
    one.setAttribute("aria-selected", String(chosen));
    one.tabIndex = chosen ? 0 : -1;
    find(one.getAttribute("aria-controls")).hidden = !chosen;
  }
  history.replaceState(null, "", `#${tab.getAttribute("aria-controls")}`);
  if (focus) tab.focus();
}
tabs.forEach((tab, k) => {
  tab.onclick = () => showTab(tab);
  tab.onkeydown = (e) => {
    const way = { ArrowRight: 1, ArrowLeft: -1 }[e.key];
    if (way) showTab(tabs[(k + way + tabs.length) % tabs.length], true);
  };
});
function showNamed() {
  const named = tabs.find((tab) => `#${tab.getAttribute("aria-controls")}` === location.hash);
  if (!named) return;
  showTab(named);
  requestAnimationFrame(() => scrollTo(0, 0));
}
addEventListener("hashchange", showNamed);
showNamed();

// Bringing in --------------------------------------------------------------------------------------------------------

const drop = find("drop"), chooser = find("drop-files");
let upload = sessionStorage.getItem("upload");

/** Files of a dropped folder, with their paths below it. */
async function filesOf(items) {
  const found = [];
  async function walk(entry, path) {
    if (entry.isFile) found.push([path + entry.name, await new Promise((good, bad) => entry.file(good, bad))]);
    else {
      const reader = entry.createReader();
      for (;;) {
        const some = await new Promise((good, bad) => reader.readEntries(good, bad));
        if (!some.length) return;
        for (const one of some) await walk(one, `${path}${entry.name}/`);
      }
    }
  }
  const entries = [...items].map((item) => item.webkitGetAsEntry?.()).filter(Boolean);
  for (const entry of entries) await walk(entry, "");
  return found;
}

function send(url, file, told) {
  return new Promise((good, bad) => {
    const request = new XMLHttpRequest();
    request.open("PUT", url);
    request.upload.onprogress = (e) => told(e.loaded);
    request.onload = () => {
      if (request.status < 300) return good();
      let record = {};
      try {
        record = JSON.parse(request.responseText);
      } catch {
        record = { what: request.responseText || `the bench refused (${request.status})` };
      }
      bad(new Refusal(request.status, record));
    };
    request.onerror = () => bad(new Refusal(0, { what: "the file did not arrive whole", remedy: "drop the folder again; what has arrived stays" }));
    request.send(file);
  });
}

export const megabytes = (bytes) => `${(bytes / 1e6).toFixed(bytes < 1e7 ? 1 : 0)} MB`;

/** While files arrive the one thing to do is to take them in, not to choose others. */
function showArriving(isArriving) {
  find("arriving").hidden = !isArriving;
  find("drop-choose").classList.toggle("primary", !isArriving);
}

/** Files that nobody hid, with their paths. */
export const shown = (files) => files.filter(([path]) => !path.split("/").some((part) => part.startsWith(".")));

/** Send files one after the other to an upload; told(path, bytes done, bytes in all) as it goes. */
export async function sendAll(key, files, told) {
  const total = files.reduce((sum, [, file]) => sum + file.size, 0);
  let done = 0;
  for (const [path, file] of files) {
    const url = `/api/uploads/${key}/files/${path.split("/").map(encodeURIComponent).join("/")}`;
    await send(url, file, (loaded) => told(path, done + loaded, total));
    done += file.size;
    told(path, done, total);
  }
}

/** Let a folder be dropped on an element; take(files) gets it. */
export function droppable(element, take) {
  for (const [kind, over] of [["dragover", true], ["dragenter", true], ["dragleave", false], ["drop", false]]) {
    element.addEventListener(kind, (e) => {
      e.preventDefault();
      element.classList.toggle("over", over);
    });
  }
  element.addEventListener("drop", async (e) => {
    try {
      await take(await filesOf(e.dataTransfer.items));
    } catch (error) {
      tell(error);
    }
  });
}

async function take(files) {
  const wanted = shown(files);
  if (!wanted.length) return note("There was no file in what was dropped.", "error", { remedy: "drop the folder that holds session.toml" });
  showArriving(true);
  find("take-in").disabled = true;
  find("arriving-share").hidden = false;
  find("faults").replaceChildren();
  try {
    upload ||= (await ask("POST", "/api/uploads", {})).id;
    sessionStorage.setItem("upload", upload);
    await sendAll(upload, wanted, (path, done, total) => {
      find("arriving-words").textContent = `${path}: ${megabytes(done)} of ${megabytes(total)}`;
      find("arriving-share").value = done / Math.max(total, 1);
    });
    find("arriving-share").value = 1;
    await check();
  } catch (error) {
    tell(error);
  }
}

/** Every fault of a session that was not taken in; nothing for another error. */
export function showFaults(list, told) {
  const faults = told?.faults || (told ? [[told.where, told.expected, told.remedy].filter(Boolean).join("\n")] : []);
  list.replaceChildren(...faults.map((fault) => make("li", {}, make("pre", {}, fault))));
}

async function check() {
  const words = find("arriving-words"), faults = find("faults");
  faults.replaceChildren();
  words.textContent = "checking the folder";
  find("check-again").hidden = false;
  try {
    const { title } = await ask("POST", `/api/uploads/${upload}/check`);
    words.textContent = `${title}: the folder is whole and can be taken in.`;
    find("take-in").disabled = false;
    find("take-in").focus();
  } catch (error) {
    if (!(error instanceof Refusal)) return tell(error);
    find("take-in").disabled = true;
    // A full bar beneath faults would look like success.
    find("arriving-share").hidden = true;
    words.textContent = `${error.message}. Mend it, and drop the changed files or the folder again.`;
    showFaults(faults, error.told);
  }
}

function forget() {
  upload = null;
  sessionStorage.removeItem("upload");
  showArriving(false);
}

export function takenIn(job) {
  if (job.state !== "done") return;
  forget();
  note(job.result.sentence);
  location.href = `/read/${job.result.loudspeaker}`;
}

find("drop-choose").onclick = () => chooser.click();
chooser.onchange = () => take([...chooser.files].map((file) => [file.webkitRelativePath || file.name, file]));
droppable(drop, take);
find("take-in").onclick = () => startJob("/api/measure/add", { upload }, takenIn).then(() => (find("take-in").disabled = true)).catch(tell);
find("check-again").onclick = check;
find("let-go").onclick = () => ask("DELETE", `/api/uploads/${upload}`).then(forget).catch(tell);
find("from-folder").onsubmit = (e) => {
  e.preventDefault();
  const folder = find("folder").value.trim();
  find("folder-told").replaceChildren();
  startJob("/api/measure/add", { folder }, (job) => (job.state === "failed" ? notTaken(job, folder) : takenIn(job))).catch(tell);
};
/** The faults of a folder beside its field, and the way to mend them here. */
function notTaken(job, folder) {
  const list = make("ol", { class: "faults" });
  showFaults(list, job.error);
  find("folder-told").replaceChildren(
    make("p", {}, make("strong", {}, `${job.error.what}.`)),
    list,
    make(
      "p",
      { class: "actions" },
      make("a", { class: "button", href: `/measure?${new URLSearchParams({ folder })}#begin` }, "Mend it in the session form"),
      make("button", { type: "button", onclick: () => find("from-folder").requestSubmit() }, "Take it in again"),
    ),
  );
  find("folder-told").scrollIntoView({ block: "nearest" });
}
onKey("b", "bring in a session folder", () => (showTab(tabs[0]), chooser.click()));
if (upload) {
  // A reload while files arrived: what has arrived is still there.
  showArriving(true);
  ask("GET", `/api/uploads/${upload}`).then(({ files }) => (files.length ? check() : forget()), forget);
}

// Signals ------------------------------------------------------------------------------------------------------------

find("write-signals").onsubmit = async (e) => {
  e.preventDefault();
  /** @type {Record<string, any>} */
  const form = Object.fromEntries(new FormData(e.target));
  for (const name of ["peak_dbfs", "rate_hz", "tones", "level_db", "distance_m"]) form[name] = Number(form[name]);
  try {
    const { files, cautions } = await ask("POST", "/api/measure/signals", form);
    find("signals-done").replaceChildren(
      make("h2", {}, `${files.length} test signals`),
      make("div", { class: "cautions" }, make("p", {}, make("strong", {}, "Before you play one")), make("ul", {}, ...cautions.map((c) => make("li", {}, c)))),
      make("ul", {}, ...files.map((f) => make("li", {}, make("code", {}, f)))),
    );
  } catch (error) {
    tell(error);
  }
};
