// Logs: uploads one after the other with their notes, removal, channel map.

import { ask, doing, say } from "./asking.js";

const today = () => new Date().toISOString().slice(0, 10);

// fetch tells nothing of how far an upload is; XMLHttpRequest does.
function put(path, file, told) {
  return new Promise((done, failed) => {
    const request = new XMLHttpRequest();
    request.open("PUT", path);
    request.setRequestHeader("content-type", "application/octet-stream");
    request.upload.addEventListener("progress", (event) => event.lengthComputable && told(event.loaded / event.total));
    request.addEventListener("load", () => {
      const answer = request.responseText ? JSON.parse(request.responseText) : {};
      if (request.status < 300) done(answer);
      else failed(new Error(answer.detail || `${request.status}`));
    });
    request.addEventListener("error", () => failed(new Error(`${file.name}: the connection broke. Add it again; nothing half is kept.`)));
    request.send(file);
  });
}

async function add(car, files, note, bar) {
  bar.hidden = false;
  let number = 0;
  // Tables first, so that the logs beside them can be read from the start.
  for (const file of [...files].sort((a, b) => Number(b.name.endsWith(".dbc")) - Number(a.name.endsWith(".dbc")))) {
    const done = number;
    const run = await put(`/api/cars/${car.id}/runs/${encodeURIComponent(file.name)}`, file, (share) => {
      bar.value = (done + share) / files.length;
    });
    if (run.kind === "run" && !run.note) await ask("PUT", `/api/cars/${car.id}/runs/${run.name}/note`, note);
    number += 1;
  }
}

function setUpUpload(car) {
  const form = document.getElementById("upload");
  const by = (name) => document.getElementById(`upload-${name}`);
  by("date").value = today();
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    doing(form.querySelector("button"), async () => {
      const files = by("files").files;
      if (!files.length) throw new Error("Choose one log or more first.");
      const note = {
        compound: by("compound").value.trim() || "unknown", date: by("date").value || today(),
        track: by("track").value.trim() || "not noted", pair: car.inForce || null,
      };
      await add(car, files, note, by("progress"));
      location.hash = "logs";
      location.reload();
    });
  });
}

function setUpNotes(car) {
  const dialog = document.getElementById("note-dialog");
  const by = (name) => document.getElementById(`note-${name}`);
  let run = "";
  for (const button of document.querySelectorAll("[data-note-of]")) {
    button.addEventListener("click", () => {
      run = button.dataset.noteOf;
      const note = JSON.parse(button.dataset.note);
      document.getElementById("note-title").textContent = `Note of ${run}`;
      by("compound").value = note.compound || document.getElementById("upload-compound").value;
      by("date").value = note.date || today();
      by("track").value = note.track || "";
      by("temp").value = note.track_temp_c ?? "";
      by("pair").value = note.pair || "";
      by("notes").value = note.notes || "";
      dialog.showModal();
    });
  }
  by("close").addEventListener("click", () => dialog.close());
  by("form").addEventListener("submit", (event) => {
    event.preventDefault();
    doing(event.submitter, async () => {
      const warm = by("temp").value.trim();
      await ask("PUT", `/api/cars/${car.id}/runs/${run}/note`, {
        compound: by("compound").value.trim(), date: by("date").value, track: by("track").value.trim(),
        track_temp_c: warm === "" ? null : Number(warm), pair: by("pair").value || null, notes: by("notes").value,
      });
      location.reload();
    });
  });
}

export function setUpLogs(car) {
  setUpUpload(car);
  setUpNotes(car);
  for (const button of document.querySelectorAll("[data-remove]")) {
    button.addEventListener("click", () =>
      doing(button, async () => {
        if (!window.confirm(`Take ${button.dataset.remove} off the list? Results that rest on it stay.`)) return;
        await ask("DELETE", `/api/cars/${car.id}/runs/${button.dataset.remove}`);
        location.reload();
      }));
  }
  document.getElementById("channels").addEventListener("submit", (event) => {
    event.preventDefault();
    doing(event.submitter, async () => {
      const text = document.getElementById("channels-text").value;
      const body = { channels: text.trim() === "" ? null : text };
      await ask("PUT", `/api/cars/${car.id}/channels`, body, { "If-Match": car.etag });
      say("Channel map saved.");
      location.reload();
    });
  });
}
