// Questions to the program, and its answers.

export class Refusal extends Error {
  constructor(message, conflict) {
    super(message);
    this.conflict = conflict;
  }
}

export async function ask(what, body) {
  let answer;
  try {
    answer = await fetch(`/ask/${what}`, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
  } catch {
    throw new Refusal("The program does not answer: it may have been ended. What is proposed here is not kept.", false);
  }
  const text = await answer.text();
  if (answer.ok) return JSON.parse(text);
  let message = text;
  try {
    message = JSON.parse(text).message;
  } catch {
    message = text || `The program refused (${answer.status}).`;
  }
  throw new Refusal(message, answer.status === 409);
}
