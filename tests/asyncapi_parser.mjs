// Reads an AsyncAPI document with the parser of the AsyncAPI project and prints what it found, as one JSON object.
//   node asyncapi_parser.mjs FOLDER_WITH_NODE_MODULES DOCUMENT
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";

const [folder, path] = process.argv.slice(2);
const { Parser } = createRequire(`${folder}/`)("@asyncapi/parser");
const { document, diagnostics } = await new Parser().parse(readFileSync(path, "utf-8"));
const operations = document?.operations().all().map((operation) => ({
  id: operation.id(),
  action: operation.action(),
  address: operation.channels().all()[0].address(),
  messages: operation.messages().all().map((message) => message.name()),
}));
process.stdout.write(JSON.stringify({ diagnostics, version: document?.version(), operations }));
