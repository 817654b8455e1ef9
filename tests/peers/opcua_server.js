// An OPC UA server on another library than the daemon's, steered by lines of JSON.
//
// Usage: node opcua_server.js PORT FOLDER, where FOLDER takes its keys.
// Prints "ready" when it listens. Each line on its input sets a variable of urn:peer:cell:
//   {"name": "wall", "type": "Float", "value": 181.5, "status": "Good"}
// The variable is made where there is none yet; made anew where its type is another; "gone" as
// status takes it away. Prints "done" after each.

"use strict";

const readline = require("readline");
const path = require("path");
const opcua = require("node-opcua");

async function main() {
  const [port, folder] = [Number(process.argv[2]), process.argv[3]];
  const server = new opcua.OPCUAServer({
    port,
    hostname: "127.0.0.1",
    securityPolicies: [opcua.SecurityPolicy.None],
    securityModes: [opcua.MessageSecurityMode.None],
    allowAnonymous: true,
    serverCertificateManager: new opcua.OPCUACertificateManager({
      rootFolder: path.join(folder, "server"),
    }),
    userCertificateManager: new opcua.OPCUACertificateManager({
      rootFolder: path.join(folder, "user"),
    }),
    discoveryServerEndpointUrl: undefined,
    registerServerMethod: opcua.RegisterServerMethod.HIDDEN,
  });
  await server.initialize();
  const space = server.engine.addressSpace;
  const cell = space.registerNamespace("urn:peer:cell");
  const device = cell.addObject({
    organizedBy: space.rootFolder.objects,
    browseName: "cell",
  });
  const made = new Map();

  function set({ name, type, value, status }) {
    const before = made.get(name);
    if (before && (status === "gone" || before.type !== type)) {
      space.deleteNode(before.variable);
      made.delete(name);
    }
    if (status === "gone") return;
    if (!made.has(name)) {
      const variable = cell.addVariable({
        componentOf: device,
        nodeId: `s=${name}`,
        browseName: name,
        dataType: type,
      });
      made.set(name, { type, variable });
    }
    const kind = opcua.DataType[type];
    const given = value === "NaN" ? NaN : value;
    made
      .get(name)
      .variable.setValueFromSource(
        { dataType: kind, value: given },
        opcua.StatusCodes[status || "Good"],
        new Date(),
      );
  }

  await server.start();
  console.log("ready");
  for await (const line of readline.createInterface({ input: process.stdin })) {
    set(JSON.parse(line));
    console.log("done");
  }
  await server.shutdown(0);
}

main().catch((error) => {
  console.error(error);
  process.exit(1);
});
