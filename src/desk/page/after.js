// What comes after: tasks, how far they are, and their pages.

import { ask, commands } from "./ask.js";
import { room, told } from "./teacher.js";
import { get, make, say } from "./words.js";

const TASKS = [
  ["debrief", "Debrief: class and learners", "Debrief"],
  ["debrief_codes", "Debrief, with codes on the class page", "Debrief with codes"],
  ["sheets", "Every assessment sheet of this session", "Assessment sheets"],
  ["analyze", "Analysis", "Analysis"],
  ["agree", "Agreement", "Agreement"],
  ["check", "Check of the files", "Check"],
];
const STATES = { running: "is running", done: "is done", partly: "is done; some files could not be used, see below", failed: "could not be done, see below", cancelled: "was cancelled; results before it stay" };
const name = (task) => TASKS.find((t) => t[0] === task)?.[2] ?? task;
let seen = "";

for (const [task, words] of TASKS) {
  const button = make("button", words);
  button.type = "button";
  button.addEventListener("click", async () => {
    const { ok, message } = await ask("/ask/start-task", { task });
    told(ok ? "" : message, !ok);
    show();
  });
  get("tasks").append(button);
}
get("cancel").addEventListener("click", async () => {
  await ask("/ask/cancel-task");
  show();
});

function progress(work) {
  const parts = [`${name(work.task)} ${STATES[work.state]}`];
  if (work.step[1] > 1 && work.state === "running") parts.push(`${work.step[0] + 1} of ${work.step[1]}`);
  if (work.done) parts.push(`${work.done[0]} of ${work.done[1]} recordings`);
  return make("p", `${parts.join(", ")}.`);
}

async function show() {
  const { ok, data, message } = await ask("/ask/work");
  if (!ok) return told(message, true);
  const newest = data.works[data.works.length - 1];
  const words = JSON.stringify(data);
  if (words !== seen) {
    seen = words;
    get("running").replaceChildren(...(newest ? [progress(newest)] : []));
    get("cancel").hidden = newest?.state !== "running";
    if (newest?.state !== "running") told("");
    say(get("lines"), newest ? [`$ ${newest.command}`, ...newest.lines].join("\n") : "");
    get("results").replaceChildren(
      ...data.results.map((r) => {
        const link = make("a", `${name(r.task)}${r.of ? ` of ${r.of}` : ""}`);
        link.href = r.path;
        link.target = "_blank";
        link.rel = "noopener";
        return make("li", null, link, ` of ${new Date(1000 * r.written_unix_s).toLocaleString()}`);
      }),
    );
    get("none").hidden = data.results.length > 0;
    commands(data.commands);
  }
}

setInterval(show, 700);
room("/room/events");
show();
