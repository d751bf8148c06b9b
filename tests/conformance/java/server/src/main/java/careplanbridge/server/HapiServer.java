package careplanbridge.server;

import ca.uhn.fhir.batch2.api.IJobMaintenanceService;
import ca.uhn.fhir.batch2.jobs.export.BulkDataExportProvider;
import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.context.support.IValidationSupport;
import ca.uhn.fhir.jpa.api.config.JpaStorageSettings;
import ca.uhn.fhir.jpa.api.dao.DaoRegistry;
import ca.uhn.fhir.jpa.api.dao.IFhirSystemDao;
import ca.uhn.fhir.jpa.provider.IJpaSystemProvider;
import ca.uhn.fhir.jpa.provider.JpaCapabilityStatementProvider;
import ca.uhn.fhir.jpa.provider.ValueSetOperationProvider;
import ca.uhn.fhir.jpa.search.DatabaseBackedPagingProvider;
import ca.uhn.fhir.parser.StrictErrorHandler;
import ca.uhn.fhir.rest.api.EncodingEnum;
import ca.uhn.fhir.rest.server.RestfulServer;
import ca.uhn.fhir.rest.server.interceptor.RequestValidatingInterceptor;
import ca.uhn.fhir.rest.server.interceptor.SearchPreferHandlingInterceptor;
import ca.uhn.fhir.rest.server.provider.ResourceProviderFactory;
import ca.uhn.fhir.rest.server.util.ISearchParamRegistry;
import java.io.IOException;
import java.io.OutputStream;
import java.time.Duration;
import org.eclipse.jetty.ee10.servlet.ServletContextHandler;
import org.eclipse.jetty.ee10.servlet.ServletHolder;
import org.eclipse.jetty.server.Server;
import org.eclipse.jetty.server.ServerConnector;
import org.hl7.fhir.common.hapi.validation.validator.FhirInstanceValidator;
import org.springframework.beans.factory.BeanFactory;
import org.springframework.context.annotation.AnnotationConfigApplicationContext;
import org.springframework.scheduling.TaskScheduler;

/** Serves FHIR R4 at /fhir on loopback; prints its base address as one line of JSON once it answers. */
public final class HapiServer {

	private static final String HOST = "127.0.0.1";
	private static final int MAX_PAGE_SIZE = 1000;

	private HapiServer() {}

	public static void main(String... args) {
		var options = Options.parse(args);
		var out = System.out;
		System.setOut(System.err); // the libraries print now and then; stdout carries the one line alone
		var context = new AnnotationConfigApplicationContext();
		context.registerBean(Options.class, () -> options);
		context.register(StorageConfig.class);
		context.registerShutdownHook();
		try {
			context.refresh();
			hastenJobs(context);
			var port = serve(fhirServlet(context, options), options.port());
			out.printf("{\"base\": \"http://%s:%d/fhir\"}%n", HOST, port);
			if (options.attached()) {
				endWithInput();
			}
		} catch (Exception e) {
			e.printStackTrace();
			System.exit(1); // the storage's threads would keep a server alive that never answers
		}
	}

	/** The starter holds the other end of stdin: however it ends, even killed, the system closes it. */
	private static void endWithInput() throws IOException {
		System.in.transferTo(OutputStream.nullOutputStream());
		System.exit(0);
	}

	/** Batch jobs, $export among them, wait for a maintenance pass, which HAPI by itself makes once a minute. */
	private static void hastenJobs(BeanFactory beans) {
		var maintenance = beans.getBean(IJobMaintenanceService.class);
		beans.getBean("taskScheduler", TaskScheduler.class)
				.scheduleWithFixedDelay(maintenance::triggerMaintenancePass, Duration.ofSeconds(1));
	}

	private static RestfulServer fhirServlet(BeanFactory beans, Options options) {
		var paging = beans.getBean(DatabaseBackedPagingProvider.class);
		paging.setMaximumPageSize(MAX_PAGE_SIZE);

		var searchParams = beans.getBean(ISearchParamRegistry.class);
		var fhir = beans.getBean(FhirContext.class);
		if (options.strict()) {
			fhir.setParserErrorHandler(new StrictErrorHandler());
		}
		var servlet = new RestfulServer(fhir);
		servlet.setDefaultResponseEncoding(EncodingEnum.JSON);
		servlet.setPagingProvider(paging);
		servlet.setServerConformanceProvider(new JpaCapabilityStatementProvider(
				servlet,
				beans.getBean(IFhirSystemDao.class),
				beans.getBean(JpaStorageSettings.class),
				searchParams,
				beans.getBean(IValidationSupport.class)));
		servlet.registerProviders(beans.getBean(ResourceProviderFactory.class).createProviders());
		servlet.registerProviders(
				beans.getBean(IJpaSystemProvider.class),
				beans.getBean(ValueSetOperationProvider.class),
				beans.getBean(BulkDataExportProvider.class));
		servlet.registerProviders(Apply.providers(beans.getBean(DaoRegistry.class), servlet));
		servlet.registerInterceptor(new SearchPreferHandlingInterceptor(searchParams));
		if (options.validate()) {
			var validation = new RequestValidatingInterceptor();
			validation.setIgnoreValidatorExceptions(true); // leaves malformed JSON to the parser, which answers 400
			validation.addValidatorModule(beans.getBean(FhirInstanceValidator.class));
			servlet.registerInterceptor(validation);
		}
		return servlet;
	}

	/** Returns the port that the container listens on. */
	private static int serve(RestfulServer servlet, int port) throws Exception {
		var server = new Server();
		var connector = new ServerConnector(server);
		connector.setHost(HOST);
		connector.setPort(port);
		server.addConnector(connector);
		var handler = new ServletContextHandler("/");
		handler.addServlet(new ServletHolder(servlet), "/fhir/*");
		server.setHandler(handler);
		server.setStopAtShutdown(true);
		server.start();
		return connector.getLocalPort();
	}
}
