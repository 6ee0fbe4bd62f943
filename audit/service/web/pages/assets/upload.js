// The form that screens logs: dropped or chosen, several at once, with what is sent and done shown; it can be stopped.
"use strict";
(() => {
  const form = document.querySelector("form.drop");
  if (!form) return;
  const input = form.querySelector("input[type=file]"), most = Number(form.dataset.mostBytes), said = form.querySelector("[role=status]");
  const bar = form.querySelector("progress"), stop = form.querySelector("[data-do=stop]"), go = form.querySelector("[data-do=screen]");
  const sized = bytes => bytes < 1e5 ? `${Math.ceil(bytes / 1e3)} kB` : `${(bytes / 1e6).toFixed(1)} MB`;
  let request = null, chosen = [];

  function check() {
    const size = chosen.reduce((sum, f) => sum + f.size, 0), much = size > most;
    const list = form.querySelector(".chosen");
    list.replaceChildren(...chosen.map((f, i) => {
      const item = document.createElement("li"), name = document.createElement("bdi"), away = document.createElement("button");
      name.textContent = f.name; away.type = "button"; away.textContent = "leave out"; away.setAttribute("aria-label", `leave out ${f.name}`);
      away.addEventListener("click", () => { chosen.splice(i, 1); check(); });
      item.append(name, ` ${sized(f.size)} `, away);
      return item;
    }));
    input.required = !chosen.length;
    said.textContent = much ? `${sized(size)} is too much for one upload; ${sized(most)} at most.` :
      chosen.length ? `${chosen.length} file${chosen.length === 1 ? "" : "s"}, ${sized(size)}.` : "";
    return !much && chosen.length > 0;
  }

  function add(files) {
    for (const f of files) if (!chosen.some(c => c.name === f.name && c.size === f.size && c.lastModified === f.lastModified)) chosen.push(f);
    return check();
  }

  function busy(on) { bar.hidden = !on; stop.hidden = !on; go.disabled = on; form.setAttribute("aria-busy", String(on)); }

  function ended(text) { busy(false); request = null; said.textContent = text; }

  function send() {
    const body = new FormData(form);
    body.delete("logs");
    for (const f of chosen) body.append("logs", f, f.name);
    request = new XMLHttpRequest();
    request.open("POST", form.action);
    request.setRequestHeader("X-Stages", "yes");
    request.upload.addEventListener("progress", e => {
      bar.max = e.total; bar.value = e.loaded;
      said.textContent = `Sending: ${sized(e.loaded)} of ${sized(e.total)}.`;
    });
    request.upload.addEventListener("load", () => { bar.removeAttribute("value"); said.textContent = "Sent. Reading the logs…"; });
    let last = null, read = 0;
    // Each line that has come in whole, once.
    const listen = () => {
      const lines = request.responseText.slice(read).split("\n").slice(0, -1);
      for (const line of lines) {
        try { last = JSON.parse(line); } catch (error) { last = null; }
        read += line.length + 1;
        if (last && last.of) { bar.max = last.of; bar.value = last.done; }
        if (last && last.said) said.textContent = last.said;
      }
    };
    request.addEventListener("progress", listen);
    request.addEventListener("load", () => {
      listen();
      if (last && last.go) location.assign(last.go);
      else ended(last && last.error ? last.error : "That did not work. Load the page again and send the logs anew.");
    });
    request.addEventListener("error", () => ended("The connection was lost. Send the logs again."));
    request.addEventListener("abort", () => ended("Stopped. Nothing was kept."));
    busy(true);
    said.textContent = "Sending…";
    request.send(body);
  }

  input.addEventListener("change", () => { add(input.files); input.value = ""; });
  form.addEventListener("submit", e => { e.preventDefault(); if (check()) send(); else if (!said.textContent) said.textContent = "Choose one or more logs first."; });
  stop.addEventListener("click", () => { if (request) request.abort(); });
  form.addEventListener("dragover", e => { e.preventDefault(); form.classList.add("over"); });
  form.addEventListener("dragleave", () => form.classList.remove("over"));
  form.addEventListener("drop", e => { e.preventDefault(); form.classList.remove("over"); if (add(e.dataTransfer.files)) send(); });
})();
