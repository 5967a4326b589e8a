// Talking to the service: every fault comes back as problem details, and is shown with place and remedy.

export class Trouble extends Error {
  constructor(problem) {
    super(problem.detail || problem.title || "The service did not answer.");
    this.problem = problem;
  }
}

export async function ask(method, path, body, headers = {}) {
  const options = { method, headers: { ...headers } };
  if (body instanceof Blob) {
    options.body = body;
    options.headers["content-type"] = "application/octet-stream";
  } else if (body !== undefined) {
    options.body = JSON.stringify(body);
    options.headers["content-type"] = "application/json";
  }
  let response;
  try {
    response = await fetch(path, options);
  } catch {
    throw new Trouble({ detail: "The service does not answer. Is it still running? Nothing of yours is lost; try again." });
  }
  if (response.status === 401 && location.pathname !== "/sign-in") {
    location.assign("/sign-in");
  }
  const kind = response.headers.get("content-type") || "";
  const answer = response.status !== 204 && kind.includes("json") ? await response.json() : null;
  if (!response.ok) {
    throw new Trouble(answer || { detail: `${response.status} ${response.statusText}` });
  }
  return answer;
}

export function say(text) {
  const place = document.getElementById("said");
  place.textContent = text;
  setTimeout(() => {
    if (place.textContent === text) place.textContent = "";
  }, 5000);
}

export function complain(error) {
  const place = document.getElementById("trouble");
  place.textContent = error instanceof Trouble ? error.message : String(error);
  const close = document.createElement("button");
  close.type = "button";
  close.textContent = "Close";
  close.addEventListener("click", () => { place.textContent = ""; });
  place.append(close);
}

// Runs something that may fail, and keeps its button from being pressed twice meanwhile.
export async function doing(button, work) {
  document.getElementById("trouble").textContent = "";
  if (button) button.disabled = true;
  try {
    return await work();
  } catch (error) {
    complain(error);
    return undefined;
  } finally {
    if (button) button.disabled = false;
  }
}
