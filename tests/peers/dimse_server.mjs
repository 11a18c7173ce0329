// An imaging archive made of dcmjs-dimse, for the tests of our client.
//
//   node dimse_server.mjs '{"port": 11112, "title": "CLINIC", "folder": "/tmp/x", ...}'
//
// What arrives by C-STORE is kept byte for byte, as <SOP Instance UID>.<transfer syntax>.raw, and
// goes out again as it came. C-FIND and C-GET serve the Study Root, C-MOVE goes to `destinations`
// ({"TITLE": port}), and a storage commitment is reported as `report` says: "same" association,
// "new" one (to `destinations`), or "never".

import fs from 'node:fs';
import path from 'node:path';
import { Writable } from 'node:stream';
import dcmjsDimse from 'dcmjs-dimse';

const { Client, Dataset, Scp, Server } = dcmjsDimse;
const {
  CEchoResponse, CFindResponse, CGetResponse, CMoveResponse, CStoreResponse, NActionResponse,
  NCreateResponse, NSetResponse,
} = dcmjsDimse.responses;
const { CStoreRequest, NEventReportRequest } = dcmjsDimse.requests;
const { PresentationContextResult, RejectReason, RejectResult, RejectSource, SopClass, Status } =
  dcmjsDimse.constants;

dcmjsDimse.log.setLevel('silent');
const options = JSON.parse(process.argv[2]);
const COMMITMENT = SopClass.StorageCommitmentPushModel;
const WELL_KNOWN = '1.2.840.10008.1.20.1.1';
const SERVICES = [
  SopClass.Verification,
  SopClass.StudyRootQueryRetrieveInformationModelFind,
  SopClass.StudyRootQueryRetrieveInformationModelMove,
  SopClass.StudyRootQueryRetrieveInformationModelGet,
  COMMITMENT,
  SopClass.ModalityPerformedProcedureStep,
  '1.2.840.10008.5.1.4.33', // Instance Availability Notification
];
// Storage classes share this beginning (PS3.4 B.5).
const STORAGE = '1.2.840.10008.5.1.4.1.1.';
const kept = new Map();

/** A data set that goes out as the bytes that came in. */
class AsItCame extends Dataset {
  constructor(elements, syntax, bytes) {
    super(elements, syntax);
    this.bytes = bytes;
  }

  getDenaturalizedDataset() {
    return this.bytes;
  }
}

class Memory extends Writable {
  constructor() {
    super();
    this.pieces = [];
  }

  _write(piece, _encoding, done) {
    this.pieces.push(Buffer.from(piece));
    done();
  }
}

function text(value) {
  if (Array.isArray(value)) return text(value[0]);
  if (value && typeof value === 'object' && 'Alphabetic' in value) return value.Alphabetic;
  return value === undefined || value === null ? '' : String(value);
}

function matches(pattern, value) {
  const list = Array.isArray(pattern) && typeof pattern[0] === 'string' ? pattern : [pattern];
  return list.some((one) => {
    const wanted = text(one);
    if (wanted === '' || wanted === '*') return true;
    const escaped = wanted.replace(/[.+^${}()|[\]\\]/g, '\\$&');
    return new RegExp(`^${escaped.replace(/\*/g, '.*').replace(/\?/g, '.')}$`).test(text(value));
  });
}

const LEVELS = {
  STUDY: ['PatientID', 'PatientName', 'StudyInstanceUID', 'StudyDate', 'AccessionNumber'],
  SERIES: ['StudyInstanceUID', 'SeriesInstanceUID', 'Modality'],
  IMAGE: ['StudyInstanceUID', 'SeriesInstanceUID', 'SOPInstanceUID', 'SOPClassUID'],
};
const UNIQUE = { STUDY: 'StudyInstanceUID', SERIES: 'SeriesInstanceUID', IMAGE: 'SOPInstanceUID' };

/** Return what one entity of the level asked for says of itself. */
function found(elements) {
  const level = elements.QueryRetrieveLevel;
  const answers = new Map();
  for (const { dataset } of kept.values()) {
    const has = dataset.getElements();
    if (!LEVELS[level].every((key) => !(key in elements) || matches(elements[key], has[key]))) {
      continue;
    }
    const answer = { QueryRetrieveLevel: level, SpecificCharacterSet: 'ISO_IR 192' };
    for (const key of LEVELS[level]) if (key in elements) answer[key] = has[key];
    answers.set(has[UNIQUE[level]], answer);
  }
  return [...answers.values()];
}

/** Return the objects that a C-GET or C-MOVE names. */
function asked(elements) {
  const keys = ['StudyInstanceUID', 'SeriesInstanceUID', 'SOPInstanceUID'];
  return [...kept.values()].filter(({ dataset }) => {
    const has = dataset.getElements();
    return keys.every((key) => !elements[key] || matches(elements[key], has[key]));
  });
}

function storing({ dataset, bytes }) {
  const syntax = dataset.getTransferSyntaxUid();
  return new CStoreRequest(new AsItCame(dataset.getElements(), syntax, bytes));
}

function report(action) {
  const failed = [];
  const committed = [];
  for (const item of action.ReferencedSOPSequence) {
    const { ReferencedSOPClassUID, ReferencedSOPInstanceUID } = item;
    const one = { ReferencedSOPClassUID, ReferencedSOPInstanceUID };
    if (kept.has(ReferencedSOPInstanceUID)) committed.push(one);
    else failed.push({ ...one, FailureReason: 0x0112 });
  }
  const told = { TransactionUID: action.TransactionUID };
  if (committed.length) told.ReferencedSOPSequence = committed;
  if (failed.length) told.FailedSOPSequence = failed;
  const request = new NEventReportRequest(COMMITMENT, WELL_KNOWN, failed.length ? 2 : 1);
  request.setDataset(new Dataset(told));
  return request;
}

class Archive extends Scp {
  associationRequested(association) {
    this.calling = association.getCallingAeTitle();
    if (association.getCalledAeTitle() !== options.title) {
      const [result, source] = [RejectResult.Permanent, RejectSource.ServiceUser];
      this.sendAssociationReject(result, source, RejectReason.CalledAeNotRecognized);
      return;
    }
    for (const { id } of association.getPresentationContexts()) {
      const context = association.getPresentationContext(id);
      const name = context.getAbstractSyntaxUid();
      const syntaxes = context.getTransferSyntaxUids();
      const wanted = options.syntaxes && name.startsWith(STORAGE)
        ? syntaxes.find((one) => options.syntaxes.includes(one))
        : syntaxes[0];
      if (!SERVICES.includes(name) && !name.startsWith(STORAGE)) {
        context.setResult(PresentationContextResult.RejectAbstractSyntaxNotSupported);
      } else if (!wanted) {
        context.setResult(PresentationContextResult.RejectTransferSyntaxesNotSupported);
      } else {
        context.setResult(PresentationContextResult.Accept, wanted);
      }
    }
    this.sendAssociationAccept();
  }

  associationReleaseRequested() {
    this.sendAssociationReleaseResponse();
  }

  createStoreWritableStream() {
    return new Memory();
  }

  createDatasetFromStoreWritableStream(stream, context, callback) {
    const bytes = Buffer.concat(stream.pieces);
    const dataset = new Dataset(bytes, context.getAcceptedTransferSyntaxUid());
    this.arrived = bytes;
    callback(dataset);
  }

  cEchoRequest(request, callback) {
    const response = CEchoResponse.fromRequest(request);
    response.setStatus(Status.Success);
    callback(response);
  }

  cStoreRequest(request, callback) {
    const dataset = request.getDataset();
    const uid = request.getAffectedSopInstanceUid();
    const response = CStoreResponse.fromRequest(request);
    const name = `${uid}.${dataset.getTransferSyntaxUid()}.raw`;
    fs.writeFileSync(path.join(options.folder, name), this.arrived);
    kept.set(uid, { dataset, bytes: this.arrived });
    response.setStatus(Status.Success);
    callback(response);
  }

  cFindRequest(request, callback) {
    const responses = found(request.getDataset().getElements()).map((answer) => {
      const response = CFindResponse.fromRequest(request);
      response.setDataset(new Dataset(answer));
      response.setStatus(Status.Pending);
      return response;
    });
    const last = CFindResponse.fromRequest(request);
    last.setStatus(Status.Success);
    callback([...responses, last]);
  }

  cGetRequest(request, callback) {
    const objects = asked(request.getDataset().getElements());
    this.serve(objects, request, CGetResponse, callback, (requests) => this.sendRequests(requests));
  }

  cMoveRequest(request, callback) {
    const title = request.getCommandDataset().getElement('MoveDestination');
    const port = options.destinations?.[title];
    if (!port) {
      const response = CMoveResponse.fromRequest(request);
      response.setStatus(Status.MoveDestinationUnknown);
      callback([response]);
      return;
    }
    const objects = asked(request.getDataset().getElements());
    this.serve(objects, request, CMoveResponse, callback, (requests) => {
      const client = new Client();
      requests.forEach((one) => client.addRequest(one));
      client.on('networkError', (error) => console.error(`move: ${error}`));
      client.send('127.0.0.1', port, options.title, title);
    });
  }

  serve(objects, request, kind, callback, send) {
    const response = kind.fromRequest(request);
    response.setStatus(Status.Success);
    let [completed, failures] = [0, 0];
    const requests = objects.map(storing);
    const done = () => {
      response.setCompleted(completed);
      response.setFailures(failures);
      response.setRemaining(0);
      if (failures) response.setStatus(0xb000);
      callback([response]);
    };
    if (!requests.length) return done();
    requests.forEach((one) => one.on('response', (answer) => {
      if (answer.getStatus() === Status.Success) completed += 1;
      else failures += 1;
      if (completed + failures === requests.length) done();
    }));
    return send(requests);
  }

  nCreateRequest(request, callback) {
    const response = NCreateResponse.fromRequest(request);
    response.setStatus(Status.Success);
    this.told(request, request.getAffectedSopInstanceUid());
    callback(response);
  }

  nSetRequest(request, callback) {
    const response = NSetResponse.fromRequest(request);
    response.setStatus(Status.Success);
    this.told(request, request.getRequestedSopInstanceUid());
    callback(response);
  }

  told(request, uid) {
    const elements = JSON.stringify(request.getDataset().getElements());
    fs.appendFileSync(path.join(options.folder, `${uid}.told`), `${elements}\n`);
  }

  nActionRequest(request, callback) {
    const response = NActionResponse.fromRequest(request);
    response.setStatus(Status.Success);
    callback(response);
    const told = report(request.getDataset().getElements());
    if (options.report === 'same') {
      setTimeout(() => this.sendRequests(told), 50);
    } else if (options.report === 'new') {
      const client = new Client();
      client.addRequest(told);
      client.on('networkError', (error) => console.error(`report: ${error}`));
      client.send('127.0.0.1', options.destinations[this.calling], options.title, this.calling);
    }
  }
}

const server = new Server(Archive);
server.on('networkError', (error) => console.error(`network: ${error}`));
const secured = options.key && {
  key: fs.readFileSync(options.key),
  cert: fs.readFileSync(options.certificate),
  ca: fs.readFileSync(options.authorities),
  requestCert: true,
  rejectUnauthorized: true,
};
server.listen(options.port, secured ? { securityOptions: secured } : {});
