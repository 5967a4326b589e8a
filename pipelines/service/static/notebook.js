// Entry: sets the parts of a page up.

import { ask, doing, say } from "./asking.js";
import { setUpGrids } from "./grids.js";
import { setUpJobs } from "./jobs.js";
import { setUpLogs } from "./logs.js";
import { setUpOverlay } from "./overlay.js";
import { send, setUpNewCar } from "./sheet.js";
import { setUpUnits } from "./speeds.js";
import { setUpWeights } from "./weights.js";

const leaf = document.getElementById("leaf");
const car = leaf.dataset.car
  ? { id: leaf.dataset.car, etag: leaf.dataset.etag, plant: leaf.dataset.plant, inForce: leaf.dataset.inForce,
      overlay: leaf.dataset.overlay }
  : null;

setUpNewCar();
if (car) {
  document.getElementById("sheet").addEventListener("submit", (event) => {
    event.preventDefault();
    send(event.target, "PUT", `/api/cars/${car.id}/sheet`, { "If-Match": car.etag }, () => location.reload());
  });
  setUpLogs(car);
  setUpJobs(car);
  setUpGrids(car);
  setUpWeights();
  setUpOverlay(car);
}
setUpUnits(leaf.dataset.units);

const signIn = document.getElementById("sign-in");
if (signIn) {
  signIn.addEventListener("submit", (event) => {
    event.preventDefault();
    doing(signIn.querySelector("button"), async () => {
      await ask("POST", "/api/session", { token: document.getElementById("token").value.trim() });
      location.assign("/");
    });
  });
}
document.getElementById("sign-out")?.addEventListener("click", (event) =>
  doing(event.target, async () => {
    await ask("DELETE", "/api/session");
    say("Signed out.");
    location.assign("/sign-in");
  }));
document.documentElement.dataset.ready = "yes";
