// What every view does: says that it is open, takes in dropped files, and begins what the
// view has besides.

const name = crypto.randomUUID();

// Every twenty seconds the page says that it is there, and once when it goes. here tells
// whether the program is.
const gone = document.querySelector(".gone");
async function here() {
  // A computer that changes its network breaks off what is under way, on its own address, too:
  // one failure says little.
  const ask = () => fetch(`/here?page=${name}`, {method: "POST"}).catch(() => null);
  let answer = await ask();
  for (let i = 0; i < 3 && !answer; i++) {
    await new Promise(done => setTimeout(done, 300));
    answer = await ask();
  }
  gone.hidden = Boolean(answer?.ok);
  return gone.hidden;
}
if (!document.querySelector("[data-ended]")) {
  here();
  setInterval(here, 20000);
  addEventListener("pagehide", () => navigator.sendBeacon(`/left?page=${name}`));
  addEventListener("pageshow", e => { if (e.persisted) location.reload(); });
}

// A step that nobody is there to take is not begun: the browser would leave the page, and
// what was set or drawn on it.
const sure = new WeakSet();
addEventListener("submit", async e => {
  const form = e.target;
  if (form.dataset.upload !== undefined || sure.has(form)) return;
  e.preventDefault();
  if (!await here()) {
    gone.scrollIntoView({block: "center"});
    return;
  }
  sure.add(form);
  form.requestSubmit(e.submitter);
  sure.delete(form);
});

// Files that were dropped, folders looked through.
async function dropped(transfer) {
  const entries = [...transfer.items].map(i => i.webkitGetAsEntry?.()).filter(Boolean);
  if (!entries.length) return [...transfer.files];
  const files = [];
  const walk = async entry => {
    if (entry.isFile) {
      files.push(await new Promise((take, fail) => entry.file(take, fail)));
      return;
    }
    const reader = entry.createReader();
    for (;;) {
      const some = await new Promise((take, fail) => reader.readEntries(take, fail));
      if (!some.length) return;
      for (const e of some) await walk(e);
    }
  };
  for (const e of entries) await walk(e);
  return files;
}

for (const form of document.querySelectorAll("form[data-upload]")) {
  let files = [];
  const both = form.dataset.upload === "both"; // each file has its own place
  const drop = form.querySelector(".drop"), says = form.querySelector(".chosen");
  const say = list => {
    const size = list.reduce((sum, f) => sum + f.size, 0) / 1e6;
    says.textContent = list.length ? `${list.length} ${list.length === 1 ? "file" : "files"}, ${size.toFixed(1)} MB` : "";
  };
  drop.addEventListener("dragover", e => { e.preventDefault(); drop.classList.add("over"); });
  drop.addEventListener("dragleave", () => drop.classList.remove("over"));
  drop.addEventListener("drop", async e => {
    e.preventDefault();
    drop.classList.remove("over");
    if (both) {
      says.textContent = "Choose each file at its own place, as a drop does not say which is which.";
      return;
    }
    for (const input of form.querySelectorAll("input[type=file]")) input.value = "";
    files = await dropped(e.dataTransfer);
    say(files);
  });
  for (const input of form.querySelectorAll("input[type=file]")) {
    input.addEventListener("change", () => {
      files = [];
      const inputs = [...form.querySelectorAll("input[type=file]")];
      if (!both) for (const other of inputs) if (other !== input) other.value = "";
      say(inputs.flatMap(i => [...i.files]));
    });
  }
  form.addEventListener("submit", e => {
    e.preventDefault();
    const data = new FormData(form);
    for (const f of files) data.append("file", f);
    const send = new XMLHttpRequest();
    const buttons = form.querySelectorAll("button");
    for (const b of buttons) b.disabled = true;
    send.upload.addEventListener("progress", p => {
      if (p.lengthComputable) says.textContent = p.loaded < p.total ? `${Math.round(100 * p.loaded / p.total)} % taken in` : "Looking at it …";
    });
    const failed = text => {
      for (const b of buttons) b.disabled = false;
      says.textContent = text;
    };
    send.addEventListener("load", () => {
      if (send.status < 400) {
        location.assign(send.responseURL);
        return;
      }
      const page = new DOMParser().parseFromString(send.responseText, "text/html");
      failed(page.querySelector(".notice li")?.textContent ?? send.responseText);
    });
    send.addEventListener("error", async () => failed(await here() ? "It was not taken in. Look whether the disk has room, and try again." : "It was not taken in."));
    send.open("POST", form.action);
    send.send(data);
  });
}

const data = document.getElementById("data");
const begin = async (module, element) => {
  if (!element || !data) return;
  const bring = () => import(`/assets/${module}.js`);
  // Broken off as below in here; of a program that has ended nothing comes.
  const brought = await bring().catch(async () => await here() ? bring() : null);
  brought?.begin(element, JSON.parse(data.textContent));
};
begin("look", document.querySelector("[data-look]"));
begin("place", document.getElementById("place"));
begin("draw", document.getElementById("draw"));
begin("result", document.getElementById("cuts"));

// How far a measurement is.
const progress = document.getElementById("progress");
if (progress) {
  const events = new EventSource(progress.dataset.address);
  events.addEventListener("message", e => {
    const told = JSON.parse(e.data);
    progress.querySelector("progress").value = told.done;
    const left = told.seconds ? `, about ${Math.max(1, Math.round(told.seconds))} s more` : "";
    document.getElementById("step").textContent = told.step[0].toUpperCase() + told.step.slice(1) + left + ".";
    if (told.ended) {
      events.close();
      location.reload();
    }
  });
  events.addEventListener("error", here);
}
