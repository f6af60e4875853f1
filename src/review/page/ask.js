// Questions to the program, and its answers.

export class Refusal extends Error {
  // `conflict`: what is shown here is not what stands any more. `nothing`: it is so already. `field`: the one at fault.
  constructor(message, { conflict = false, nothing = false, field = null } = {}) {
    super(message);
    Object.assign(this, { conflict, nothing, field });
  }
}

export async function ask(what, body) {
  let answer;
  try {
    answer = await fetch(`/ask/${what}`, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
  } catch {
    throw new Refusal("The program does not answer: it may have been ended. What is proposed here is not kept.");
  }
  const text = await answer.text();
  if (answer.ok) return JSON.parse(text);
  let told = {};
  try {
    told = JSON.parse(text);
  } catch {
    told = { message: text };
  }
  const { message, nothing, field } = told;
  throw new Refusal(message || `The program refused (${answer.status}).`, { conflict: answer.status === 409, nothing, field });
}
