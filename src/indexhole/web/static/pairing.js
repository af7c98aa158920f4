// The sliders answer at once; without this the form does the same when it is sent.

const form = document.getElementById("pairing");
const place = document.getElementById("answer");
const old = document.getElementById("helps-old");
const sliders = [...form.querySelectorAll("input[type=range]")];
const reset = document.getElementById("as-it-is");
let asking = false;
let again = false;

function tell(slider) {
  const output = form.querySelector(`output[for="${slider.id}"]`);
  const value = Number(slider.value);
  const sign = value > 0 ? "+" : "\u2212";
  output.textContent = value === 0 ? "as it is" : `${sign}${Math.abs(value)} ${output.dataset.unit}`;
}

function values() {
  const kept = new URLSearchParams();
  for (const [name, value] of new FormData(form)) {
    const slider = form.elements[name].type === "range";
    if (value !== "" && !(slider && Number(value) === 0)) {
      kept.set(name, value);
    }
  }
  return kept;
}

async function ask() {
  if (asking) {
    again = true;
    return;
  }
  asking = true;
  place.setAttribute("aria-busy", "true");
  do {
    again = false;
    const asked = values();
    const answer = await fetch(`/pairing/answer?${asked}`);
    if (answer.ok) {
      const open = [...place.querySelectorAll("details")].map((one) => one.open);
      place.innerHTML = await answer.text();
      place.querySelectorAll("details").forEach((one, k) => { one.open = open[k] === true; });
      history.replaceState(null, "", `/pairing/budget?${asked}`);
      old.hidden = false;
    }
  } while (again);
  place.removeAttribute("aria-busy");
  asking = false;
}

for (const slider of sliders) {
  tell(slider);
  slider.addEventListener("input", () => { tell(slider); ask(); });
}

reset.hidden = false;
reset.addEventListener("click", (event) => {
  event.preventDefault();
  for (const slider of sliders) {
    slider.value = 0;
    tell(slider);
  }
  ask();
});
