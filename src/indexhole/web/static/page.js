// Small helps; every page does its work without them.

const LOOK_EVERY_MS = 700;

// how far long work is: told by the server as it goes, or asked again and again where that is not to be had
function ready(address, tell) {
  return new Promise((resolve) => {
    const events = new EventSource(address);
    events.addEventListener("message", ({ data }) => {
      const state = JSON.parse(data);
      tell(state);
      if (state.ready) {
        events.close();
        resolve();
      }
    });
    events.addEventListener("error", () => {
      if (events.readyState === EventSource.CLOSED) {
        ask(address, tell).then(resolve);
      }
    });
  });
}

async function ask(address, tell) {
  for (;;) {
    await new Promise((resume) => setTimeout(resume, LOOK_EVERY_MS));
    const answer = await fetch(address);
    if (!answer.ok) {
      return;
    }
    const state = await answer.json();
    tell(state);
    if (state.ready) {
      return;
    }
  }
}

// a page that is nothing but waiting shows what it waits for as soon as it can
const { again } = document.body.dataset;
if (again) {
  const bar = document.getElementById("progress");
  const words = document.getElementById("progress-words");
  await ready(again, ({ done, total }) => {
    if (bar && words && total > 0) {
      bar.max = total;
      bar.value = done;
      words.textContent = `${done} of ${total} ${words.dataset.of || "stays of the head"}`;
    }
  });
  location.reload();
}

// a page that waits for a part only says that it is there, and leaves the keeper undisturbed
for (const place of document.querySelectorAll("[data-watch]")) {
  ready(place.dataset.watch, () => {}).then(() => {
    place.firstChild.textContent = `${place.dataset.ready} `;
    place.querySelector("a").textContent = "Show the verdicts";
  });
}

// a file over the limit is refused before it is sent, not after
for (const input of document.querySelectorAll("input[type=file][data-largest]")) {
  input.addEventListener("change", () => {
    const largest = Number(input.dataset.largest);
    const tooLarge = [...input.files].some((file) => file.size > largest);
    const told = tooLarge ? `This file is larger than ${Math.floor(largest / 1048576)} MiB, the most this page takes.` : "";
    input.setCustomValidity(told);
    const place = document.getElementById(`${input.id}-fault`);
    place.textContent = told;
    place.hidden = !tooLarge;
  });
}

// charts closer up: the links do it alone; with script only the charts are changed, and a stretch can be drawn
async function show(address, word, title) {
  const answer = await fetch(address);
  if (!answer.ok) {
    location.assign(address);
    return;
  }
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
  for (const figure of document.querySelectorAll("figure[data-zoom]")) {
    const same = [...fresh.querySelectorAll("figure[data-zoom]")].find((other) => other.dataset.figure === figure.dataset.figure);
    if (same) {
      figure.replaceWith(document.adoptNode(same));
    }
  }
  history.pushState({}, "", address);
  shown = location.search;
  const figure = [...document.querySelectorAll("figure[data-zoom]")].find((one) => one.dataset.figure === title);
  const links = figure ? [...figure.querySelectorAll(".zoom a")] : [];
  (links.find((link) => link.textContent === word) || links[0])?.focus();
}

document.addEventListener("click", (event) => {
  const link = event.target.closest(".zoom a");
  if (link && event.button === 0 && !event.metaKey && !event.ctrlKey && !event.shiftKey) {
    event.preventDefault();
    show(link.href, link.textContent, link.closest("figure").dataset.figure);
  }
});
// a step back to another stretch; one to another place of the same page is the browser's own affair
let shown = location.search;
addEventListener("popstate", () => {
  if (location.search !== shown) {
    location.reload();
  }
});

let drawn = null;
document.addEventListener("pointerdown", (event) => {
  const chart = event.target.closest("figure[data-zoom] .chart");
  if (chart && event.button === 0 && event.pointerType === "mouse") {
    drawn = { chart, from: event.clientX };
  }
});
document.addEventListener("pointerup", (event) => {
  if (!drawn) {
    return;
  }
  const { chart, from } = drawn;
  drawn = null;
  const box = chart.getBoundingClientRect();
  const ends = [from, event.clientX].map((x) => Math.min(Math.max((x - box.left) / box.width, 0), 1)).sort((a, b) => a - b);
  if (ends[1] - ends[0] < 0.02) {
    return;
  }
  const figure = chart.closest("figure");
  const address = new URL(location.href);
  const [low, high] = (address.searchParams.get(figure.dataset.zoom) || "0-1").split("-").map(Number);
  const told = ends.map((end) => (low + end * (high - low)).toFixed(4));
  address.searchParams.set(figure.dataset.zoom, told.join("-"));
  show(address.href, "Closer", figure.dataset.figure);
});
