// Episodes as measured and as the plant predicts them, one over the other.

import { ask, complain } from "./asking.js";
import { chart } from "./chart.js";
import { currentUnit, fromKmh, watchUnit } from "./speeds.js";

const NAMES = { best: "Best", typical: "Typical", worst: "Worst" };

function draw(place, episodes) {
  place.replaceChildren(...episodes.map((one) => {
    const turned = (values) => values.map((v) => (v === null ? null : fromKmh(v)));
    const off = one.driven_kmh.map((v, i) => (v === null ? 0 : Math.abs(v - one.predicted_kmh[i])));
    const words = `Measured and predicted driven speed differ by ${fromKmh(Math.max(...off)).toFixed(1)} ${currentUnit()} at most.`;
    return chart(
      `${NAMES[one.which] || one.which}: ${one.run}, gear ${one.gear}`, "time [s]", currentUnit(),
      [
        { name: "driven, measured", x: one.time_s, y: turned(one.driven_kmh), look: 0 },
        { name: "driven, predicted", x: one.time_s, y: turned(one.predicted_kmh), look: 1 },
        { name: "undriven", x: one.time_s, y: turned(one.undriven_kmh), look: 2 },
      ],
      words, false,
    );
  }));
}

export async function setUpOverlay(car) {
  const place = document.getElementById("overlay");
  if (!place) return;
  try {
    const { episodes } = await ask("GET", `/cars/${car.id}/overlays/${car.overlay}`);
    draw(place, episodes);
    watchUnit(() => draw(place, episodes));
  } catch (error) {
    complain(error);
  }
}
