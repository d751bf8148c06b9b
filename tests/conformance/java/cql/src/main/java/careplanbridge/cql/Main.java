package careplanbridge.cql;

import java.nio.file.Files;
import java.nio.file.Path;
import org.cqframework.cql.cql2elm.CqlCompilerException.ErrorSeverity;
import org.cqframework.cql.cql2elm.CqlCompilerOptions;
import org.cqframework.cql.cql2elm.CqlTranslator;
import org.cqframework.cql.cql2elm.LibraryManager;
import org.cqframework.cql.cql2elm.ModelManager;
import org.cqframework.cql.cql2elm.quick.FhirLibrarySourceProvider;

/**
 * Translates CQL libraries to ELM: each argument is a file NAME.cql, and NAME.json is written beside it. The models are read
 * once for all of them. Errors go to stderr with their lines; with any, the exit code is 1.
 */
public final class Main {
  private Main() {}

  public static void main(String[] arguments) throws Exception {
    var errors = 0;
    var models = new ModelManager();
    for (var argument : arguments) {
      errors += translate(Path.of(argument).toAbsolutePath(), models);
    }
    System.exit(errors == 0 ? 0 : 1);
  }

  private static int translate(Path file, ModelManager models) throws Exception {
    // Without options nothing but what an engine needs is written: no notes, no positions.
    var libraries = new LibraryManager(models, new CqlCompilerOptions());
    libraries.getLibrarySourceLoader().registerProvider(new FhirLibrarySourceProvider());
    var translator = CqlTranslator.fromFile(file.toFile(), libraries);
    for (var fault : translator.getExceptions()) {
      if (fault.getSeverity() == ErrorSeverity.Error) {
        var where = fault.getLocator() == null ? "" : fault.getLocator().toLocator();
        System.err.println(file.getFileName() + ":" + where + " " + fault.getMessage());
      }
    }
    Files.writeString(Path.of(file.toString().replaceAll("\\.cql$", ".json")), translator.toJson());
    return translator.getErrors().size();
  }
}
