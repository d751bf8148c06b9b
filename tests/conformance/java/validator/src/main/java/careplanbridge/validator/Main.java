package careplanbridge.validator;

import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.context.support.DefaultProfileValidationSupport;
import ca.uhn.fhir.context.support.IValidationSupport;
import ca.uhn.fhir.validation.FhirValidator;
import ca.uhn.fhir.validation.SingleValidationMessage;
import ca.uhn.fhir.validation.ValidationOptions;
import com.fasterxml.jackson.databind.DeserializationFeature;
import com.fasterxml.jackson.databind.JsonNode;
import com.fasterxml.jackson.databind.ObjectMapper;
import com.fasterxml.jackson.databind.cfg.JsonNodeFeature;
import com.fasterxml.jackson.databind.json.JsonMapper;
import com.fasterxml.jackson.databind.node.ArrayNode;
import com.fasterxml.jackson.databind.node.ObjectNode;
import java.io.BufferedReader;
import java.io.IOException;
import java.io.InputStreamReader;
import java.io.PrintStream;
import java.nio.charset.StandardCharsets;
import java.nio.file.Files;
import java.nio.file.Path;
import java.util.List;
import java.util.Set;
import java.util.stream.Stream;
import org.hl7.fhir.common.hapi.validation.support.CommonCodeSystemsTerminologyService;
import org.hl7.fhir.common.hapi.validation.support.InMemoryTerminologyServerValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.PrePopulatedValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.SnapshotGeneratingValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.UnknownCodeSystemWarningValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.ValidationSupportChain;
import org.hl7.fhir.common.hapi.validation.validator.FhirInstanceValidator;
import org.hl7.fhir.instance.model.api.IBaseResource;
import org.hl7.fhir.r5.utils.validation.constants.BestPracticeWarningLevel;

/**
 * Validates FHIR R4 resources offline, one NDJSON request a line:
 *   in:  {"id": any, "resource": {...} or "json text", "profile": "canonical, optional"}
 *   out: {"id": any, "messages": [{"severity", "location", "message", "messageId"}]}
 * Arguments are files or folders of StructureDefinition, ValueSet and CodeSystem JSON to know of.
 */
public final class Main {

  private static final Set<String> DEFINITIONS = Set.of("StructureDefinition", "ValueSet", "CodeSystem");

  // Decimals must reach the validator as written: 1.0 and 1.00 differ in FHIR.
  private static final ObjectMapper JSON = JsonMapper.builder()
      .enable(DeserializationFeature.USE_BIG_DECIMAL_FOR_FLOATS)
      .enable(DeserializationFeature.FAIL_ON_TRAILING_TOKENS)
      .disable(JsonNodeFeature.STRIP_TRAILING_BIGDECIMAL_ZEROES)
      .build();

  private final FhirValidator validator;

  private Main(FhirContext context, IValidationSupport definitions) {
    // A code system that nobody here has the content of (LOINC, SNOMED CT) is not an error.
    var unknownSystems = new UnknownCodeSystemWarningValidationSupport(context);
    unknownSystems.setNonExistentCodeSystemSeverity(IValidationSupport.IssueSeverity.WARNING);

    // A reference like "http://host", without a path, has the validator look up a type named "",
    // ".../StructureDefinition/", at which the base definitions would throw.
    var base = new DefaultProfileValidationSupport(context) {
      @Override
      public IBaseResource fetchStructureDefinition(String url) {
        return url.endsWith("/") ? null : super.fetchStructureDefinition(url);
      }
    };

    var module = new FhirInstanceValidator(new ValidationSupportChain(
        definitions,
        base,
        new CommonCodeSystemsTerminologyService(context),
        new InMemoryTerminologyServerValidationSupport(context),
        new SnapshotGeneratingValidationSupport(context),
        unknownSystems));
    module.setBestPracticeWarningLevel(BestPracticeWarningLevel.Ignore);
    module.setErrorForUnknownProfiles(true);
    module.setAnyExtensionsAllowed(true);
    // "Medication/1" is taken for a Medication, though it is not here, and so checked as a target.
    module.setAssumeValidRestReferences(true);
    validator = context.newValidator().registerValidatorModule(module);
  }

  public static void main(String[] args) throws IOException {
    // The libraries print to System.out now and then; stdout is for answers only.
    var out = new PrintStream(System.out, false, StandardCharsets.UTF_8);
    System.setOut(System.err);

    var context = FhirContext.forR4();
    var definitions = new PrePopulatedValidationSupport(context);
    int loaded = 0;
    for (var arg : args) {
      loaded += load(context, definitions, Path.of(arg));
    }
    var main = new Main(context, definitions);
    System.err.println("validator: ready, " + loaded + " definitions loaded");

    var in = new BufferedReader(new InputStreamReader(System.in, StandardCharsets.UTF_8));
    for (String line; (line = in.readLine()) != null; ) {
      if (!line.isBlank()) {
        out.print(JSON.writeValueAsString(main.answer(line)) + "\n");
        out.flush();
      }
    }
  }

  private static int load(FhirContext context, PrePopulatedValidationSupport into, Path root) throws IOException {
    List<Path> files;
    try (Stream<Path> walk = Files.walk(root)) {
      files = walk.filter(p -> p.toString().endsWith(".json")).sorted().toList();
    }
    int loaded = 0;
    for (var file : files) {
      var text = Files.readString(file);
      if (DEFINITIONS.contains(JSON.readTree(text).path("resourceType").asText())) {
        into.addResource(context.newJsonParser().parseResource(text));
        loaded++;
      }
    }
    return loaded;
  }

  private ObjectNode answer(String line) {
    var answer = JSON.createObjectNode().putNull("id");
    var messages = answer.putArray("messages");
    try {
      var request = JSON.readTree(line);
      answer.set("id", request.path("id").isMissingNode() ? null : request.get("id"));
      var resource = request.path("resource");
      if (!resource.isObject() && !resource.isTextual()) {
        throw new IllegalArgumentException("\"resource\" must be an object, or a string of JSON");
      }
      validate(resource.isTextual() ? resource.asText() : JSON.writeValueAsString(resource),
          request.path("profile"), messages);
    } catch (Exception | StackOverflowError | LinkageError e) {
      // One bad request must not end the process: the next line may be fine.
      add(messages, "fatal", "", "cannot validate: " + e, "VALIDATOR_REQUEST");
    }
    return answer;
  }

  private void validate(String text, JsonNode profile, ArrayNode messages) {
    var options = new ValidationOptions();
    if (profile.isTextual()) {
      options.addProfile(profile.asText());
    }
    for (SingleValidationMessage m : validator.validateWithResult(text, options).getMessages()) {
      add(messages, m.getSeverity().getCode(), m.getLocationString(), m.getMessage(), m.getMessageId());
    }
  }

  private static void add(ArrayNode to, String severity, String location, String message, String messageId) {
    to.addObject().put("severity", severity).put("location", location)
        .put("message", message).put("messageId", messageId);
  }
}
