// Small helps; every page does its work without them.

const LOOK_EVERY_MS = 700;

async function ready(address, tell) {
  for (;;) {
    await new Promise((resume) => setTimeout(resume, LOOK_EVERY_MS));
    const answer = await fetch(address);
    if (!answer.ok) {
      return;
    }
    const state = await answer.json();
    if (state.ready) {
      return;
    }
    tell(state);
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
      words.textContent = `${done} of ${total} stays of the head`;
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
    const file = input.files[0];
    const tooLarge = file !== undefined && file.size > largest;
    const told = tooLarge ? `This file is larger than ${Math.floor(largest / 1048576)} MiB, the most this page takes.` : "";
    input.setCustomValidity(told);
    const place = document.getElementById(`${input.id}-fault`);
    place.textContent = told;
    place.hidden = !tooLarge;
  });
}
