// An OPC UA client on another library than the simulator's: reads once and prints JSON.
//
// Usage: node opcua_client.js URL FOLDER NAMESPACE NAME...; FOLDER takes its keys.
// Prints {"state": n, "values": {NAME: {"value", "type", "status", "source", "server"}}}.

"use strict";

const path = require("path");
const opcua = require("node-opcua");

async function main() {
  const [url, folder, uri, ...names] = process.argv.slice(2);
  const client = opcua.OPCUAClient.create({
    endpointMustExist: false,
    connectionStrategy: { maxRetry: 3, initialDelay: 200 },
    clientCertificateManager: new opcua.OPCUACertificateManager({
      rootFolder: path.join(folder, "client"),
    }),
  });
  await client.connect(url);
  const session = await client.createSession();
  const index = (await session.readNamespaceArray()).indexOf(uri);
  const nodes = ["i=2259", ...names.map((name) => `ns=${index};s=${name}`)];
  const [state, ...answers] = await session.read(
    nodes.map((nodeId) => ({ nodeId, attributeId: opcua.AttributeIds.Value })),
    0,
  );
  const values = {};
  answers.forEach((answer, place) => {
    values[names[place]] = {
      value: answer.value.value,
      type: opcua.DataType[answer.value.dataType],
      status: answer.statusCode.name,
      source: answer.sourceTimestamp,
      server: answer.serverTimestamp,
    };
  });
  console.log(JSON.stringify({ state: state.value.value, values }));
  await session.close();
  await client.disconnect();
}

main().catch((error) => {
  console.error(error);
  process.exit(1);
});
